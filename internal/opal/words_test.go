package opal

import (
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// constantsOf reads the string constants of a type from words.go, in their order; findings are untyped and found by their prefix.
func constantsOf(t *testing.T, typ, prefix string) []string {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), "words.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var words []string
	for _, d := range file.Decls {
		g, ok := d.(*ast.GenDecl)
		if !ok || g.Tok != token.CONST {
			continue
		}
		for _, s := range g.Specs {
			v := s.(*ast.ValueSpec)
			name, _ := v.Type.(*ast.Ident)
			if typ != "" && (name == nil || name.Name != typ) || typ == "" && (v.Type != nil || !strings.HasPrefix(v.Names[0].Name, prefix)) {
				continue
			}
			w, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			if w != "" {
				words = append(words, w)
			}
		}
	}
	return words
}

func wordsOf[W ~string](list []W) []string {
	words := make([]string, len(list))
	for i, w := range list {
		words[i] = string(w)
	}
	return words
}

// Every constant stands in its list, once and in the order in which it is declared.
func TestListsAreWhole(t *testing.T) {
	for typ, list := range map[string][]string{
		"MaterialKind": wordsOf(AllMaterialKinds()), "Look": wordsOf(AllLooks()), "Form": wordsOf(AllForms()), "Moisture": wordsOf(AllMoistures()),
		"Treatment": wordsOf(AllTreatments()), "Extent": wordsOf(AllExtents()), "Method": wordsOf(AllMethods()), "Place": wordsOf(AllPlaces()),
		"Identity": wordsOf(AllIdentities()), "SampleKind": wordsOf(AllSampleKinds()), "Selection": wordsOf(AllSelections()),
		"SplitManner": wordsOf(AllSplitManners()), "CutManner": wordsOf(AllCutManners()), "Purpose": wordsOf(AllPurposes()),
		"CountWhy": wordsOf(AllCountWhys()), "CloseReason": wordsOf(AllCloseReasons()), "ReopenWhy": wordsOf(AllReopenWhys()),
		"ClaimKind": wordsOf(AllClaimKinds()), "Known": wordsOf(AllKnowns()), "Role": wordsOf(AllRoles()), "Scope": wordsOf(AllScopes()),
		"KeyUse": wordsOf(AllKeyUses()), "Kind": wordsOf(AllKinds()),
	} {
		if want := constantsOf(t, typ, ""); len(want) == 0 || !slices.Equal(list, want) {
			t.Errorf("%s: the list is %v, the constants are %v", typ, list, want)
		}
	}
	if want := constantsOf(t, "", "Find"); len(want) != 14 || !slices.Equal(AllFindings(), want) {
		t.Errorf("the findings are listed as %v, the constants are %v", AllFindings(), want)
	}
}

func TestListsAreFresh(t *testing.T) {
	AllTreatments()[0] = "CHANGED"
	Outcomes(Swab)[0] = "CHANGED"
	AllCountries()[0] = "CHANGED"
	if AllTreatments()[0] != Dye || Outcomes(Swab)[0] != "COLOUR_ON_SWAB" || AllCountries()[0] != "AD" {
		t.Error("changing a list that was handed out changes the vocabulary")
	}
}

func TestOutcomes(t *testing.T) {
	form := regexp.MustCompile(`^[A-Z]+(_[A-Z]+)*$`)
	known := map[Outcome]bool{}
	for _, m := range AllMethods() {
		list := Outcomes(m)
		if len(list) < 5 || !slices.Equal(list[len(list)-2:], []Outcome{Unreadable, NothingSeen}) {
			t.Errorf("%s: %v", m, list)
		}
		for i, o := range list {
			if !form.MatchString(string(o)) || slices.Contains(list[:i], o) || !m.KnowsOutcome(o) {
				t.Errorf("%s: word %q", m, o)
			}
			known[o] = true
		}
	}
	// Each method knows its own words and no others.
	for _, m := range AllMethods() {
		for o := range known {
			if m.KnowsOutcome(o) != slices.Contains(Outcomes(m), o) {
				t.Errorf("%s, %s: KnowsOutcome and Outcomes disagree", m, o)
			}
		}
	}
	for m, o := range map[Method]Outcome{WaterDrop: "SOAKED_IN", Infrared: "NONE", UVLongWave: "PATCHY", SideView: "HIDDEN_BY_SETTING", Microscope: "CELL_NET_GROWTH"} {
		if !m.KnowsOutcome(o) {
			t.Errorf("%s does not know %s", m, o)
		}
	}
	if Outcomes("DOWSING") != nil || Method("DOWSING").KnowsOutcome(Unreadable) || Swab.KnowsOutcome("") || Swab.KnowsOutcome("TACKY ") || Swab.KnowsOutcome("SWEATED") {
		t.Error("a method or word that does not exist is known")
	}
}
