package evidence

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Table is one version of the rule table. It is never changed after loading.
type Table struct {
	Version string
	// Hash is the SHA-256 of the table's file; a policy names the table in force by it.
	Hash [32]byte

	source []byte
	rules  []Rule
	// byTest finds the rules of a method, outcome and treatment in the order in which they are tried.
	byTest map[testKey][]namedRule
	// ofMaterial are the rules on the material itself, by treatment.
	ofMaterial map[opal.Treatment][]*Rule
	// groups is how many groups the table has graded rows of, by treatment.
	groups map[opal.Treatment]int
}

// Rule is one row.
type Rule struct {
	Line      int
	Method    opal.Method    // "*": every; "-": the material itself
	Outcome   opal.Outcome   // "*": every; "-": the material itself
	Treatment opal.Treatment // "*": every
	Condition string
	Needs     string
	Stance    Stance
	// Extent is what an EXCLUDES excludes, if not every extent.
	Extent opal.Extent
	Group  Group
	Reach  Reach
	Source string
	Mark   Mark
	// Counted are the published counts; nil: none.
	Counted *Counted

	when []term
}

// namedRule is a row with the id that it has for one method, outcome and treatment.
type namedRule struct {
	*Rule
	id string
}

// Reach is how much of the stone a test sees.
type Reach string

// The reaches.
const (
	SurfaceOnly Reach = "SURFACE"
	WholeBody   Reach = "BODY"
)

// Mark says how far a source was followed.
type Mark string

// The marks.
const (
	Verified   Mark = "V"  // read in the primary source's public text
	SecondHand Mark = "V2" // read in a text that quotes it
	FromMemory Mark = "M"
	Practice   Mark = "P" // common practice, no published source
	NoSource   Mark = "N"
	ByMeaning  Mark = "D" // defined here, or plain physics
)

// What the table uses beside the trade's words.
const (
	anyWord      = "*"
	materialWord = "-"
	// assembledWord stands in the place of an outcome for the identity ASSEMBLED, which is a finding of a backing.
	assembledWord opal.Outcome = opal.Outcome(opal.Assembled)
)

type testKey struct {
	method    opal.Method
	outcome   opal.Outcome
	treatment opal.Treatment
}

// term is one part of a condition.
type term struct {
	name   string
	values []string
}

//go:embed rules/*.csv
var ruleFiles embed.FS

// loadTables reads every table that was ever in force, oldest first. What is embedded was checked by the tests; a file that does not
// load is a mistake in the program.
var loadTables = sync.OnceValue(func() []*Table {
	entries, err := ruleFiles.ReadDir("rules")
	if err != nil {
		panic(fmt.Sprintf("evidence: read the embedded rule tables: %v", err))
	}
	var tables []*Table
	for _, entry := range entries {
		data, err := ruleFiles.ReadFile("rules/" + entry.Name())
		if err != nil {
			panic(fmt.Sprintf("evidence: read %s: %v", entry.Name(), err))
		}
		table, err := LoadTable(data)
		if err != nil {
			panic(fmt.Sprintf("evidence: load %s: %v", entry.Name(), err))
		}
		tables = append(tables, table)
	}
	slices.SortFunc(tables, func(a, b *Table) int { return versionNumber(a.Version) - versionNumber(b.Version) })
	return tables
})

// TableByHash answers the table with that SHA-256, if it was ever in force.
func TableByHash(hash [32]byte) (*Table, bool) {
	for _, t := range loadTables() {
		if t.Hash == hash {
			return t, true
		}
	}
	return nil, false
}

// Latest answers the newest table.
func Latest() *Table {
	tables := loadTables()
	return tables[len(tables)-1]
}

// Source is the table's file. The caller must not change it.
func (t *Table) Source() []byte { return t.source }

// Rules lists the rows in their order. The caller must not change them.
func (t *Table) Rules() []Rule { return t.rules }

// versionNumber reads "v12"; 0 for anything else.
func versionNumber(version string) int {
	n, err := strconv.Atoi(strings.TrimPrefix(version, "v"))
	if err != nil || n < 1 || version != "v"+strconv.Itoa(n) {
		return 0
	}
	return n
}

// LoadTable reads a rule table. It refuses whatever it does not understand and names the line.
func LoadTable(data []byte) (*Table, error) {
	t := &Table{Hash: sha256.Sum256(data), source: data, byTest: map[testKey][]namedRule{}, ofMaterial: map[opal.Treatment][]*Rule{}, groups: map[opal.Treatment]int{}}
	sources := map[string]sourceLine{}
	r := csv.NewReader(bytes.NewReader(data))
	r.Comment = '#'
	r.FieldsPerRecord = -1
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("read the table: %w", err)
		}
		line, _ := r.FieldPos(0)
		if err := t.take(record, line, sources); err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
	}
	if t.Version == "" {
		return nil, errors.New("found no version line, accepted is one such as version,v1")
	}
	for key, s := range sources {
		if !s.used {
			return nil, fmt.Errorf("line %d: source %s is used by no rule", s.line, key)
		}
	}
	return t, t.index()
}

type sourceLine struct {
	line int
	mark Mark
	text string
	used bool
}

// take reads one line.
func (t *Table) take(record []string, line int, sources map[string]sourceLine) error {
	switch kind := record[0]; {
	case kind == "version" && len(record) == 2:
		if t.Version != "" || versionNumber(record[1]) == 0 {
			return fmt.Errorf("found version %q after %q, accepted is one version such as v1", record[1], t.Version)
		}
		t.Version = record[1]
		return nil
	case kind == "source" && len(record) == 4:
		key, mark, text := record[1], Mark(record[2]), record[3]
		if _, again := sources[key]; again || key == "" || text == "" {
			return fmt.Errorf("found source %q with text %q, accepted is a new key with a text", key, text)
		}
		if !slices.Contains([]Mark{Verified, SecondHand, FromMemory, Practice, NoSource, ByMeaning}, mark) {
			return fmt.Errorf("found mark %q, accepted are V, V2, M, P, N, D", mark)
		}
		sources[key] = sourceLine{line: line, mark: mark, text: text}
		return nil
	case kind == "rule" && len(record) == 15:
		rule, err := readRule(record[1:], line, sources)
		if err != nil {
			return err
		}
		t.rules = append(t.rules, *rule)
		return nil
	default:
		return fmt.Errorf("found %q with %d fields, accepted are version (2), source (4) and rule (15)", kind, len(record))
	}
}

// readRule reads a rule's 14 fields.
func readRule(f []string, line int, sources map[string]sourceLine) (*Rule, error) {
	rule := &Rule{
		Line: line, Method: opal.Method(f[0]), Outcome: opal.Outcome(f[1]), Treatment: opal.Treatment(f[2]), Condition: f[3], Needs: f[4],
		Stance: Stance(f[5]), Extent: opal.Extent(f[6]), Group: Group(f[7]), Reach: Reach(f[8]),
	}
	source, ok := sources[f[9]]
	if !ok {
		return nil, fmt.Errorf("source: found %q, accepted is the key of a source line above", f[9])
	}
	source.used = true
	sources[f[9]] = source
	rule.Mark, rule.Source = source.mark, source.text+" ["+string(source.mark)+"]"
	var err error
	if rule.when, err = readCondition(f[3]); err != nil {
		return nil, err
	}
	if rule.Counted, err = readCounts(f[10:14]); err != nil {
		return nil, err
	}
	if err := rule.check(); err != nil {
		return nil, err
	}
	return rule, nil
}

// check refuses a row that cannot be meant.
func (r *Rule) check() error {
	material := r.Method == materialWord
	switch {
	case material != (r.Outcome == materialWord):
		return fmt.Errorf("method %q with outcome %q: accepted is - in both or in none", r.Method, r.Outcome)
	case material != (r.Stance == StanceInapplicable):
		return fmt.Errorf("stance %q with method %q: NOT_APPLICABLE is said of the material itself (-), and nothing else is", r.Stance, r.Method)
	case !material && r.Method != anyWord && !slices.Contains(opal.AllMethods(), r.Method):
		return fmt.Errorf("method: found %q", r.Method)
	case r.Method != anyWord && r.Outcome == assembledWord:
		return fmt.Errorf("outcome: found %q with method %q, accepted is the method *", r.Outcome, r.Method)
	case !material && r.Outcome != anyWord && r.Outcome != assembledWord && !knowsOutcome(r.Method, r.Outcome):
		return fmt.Errorf("outcome: found %q, which %s does not have", r.Outcome, r.Method)
	case r.Treatment != anyWord && !slices.Contains(opal.AllTreatments(), r.Treatment):
		return fmt.Errorf("treatment: found %q", r.Treatment)
	case !slices.Contains([]Stance{Silent, PointsTo, PointsAway, Shows, Excludes, StanceInapplicable}, r.Stance):
		return fmt.Errorf("stance: found %q", r.Stance)
	case !slices.Contains([]string{"", needsCleaned, needsGirdle, needsMagnification, needsSpots, needsSolvent, needsCounts}, r.Needs):
		return fmt.Errorf("needs: found %q", r.Needs)
	case r.Extent != "" && (r.Stance != Excludes || !slices.Contains(opal.AllExtents(), r.Extent)):
		return fmt.Errorf("extent: found %q with %s, accepted is FULL, RIM or SURFACE with EXCLUDES", r.Extent, r.Stance)
	}
	graded := r.Stance != Silent && r.Stance != StanceInapplicable
	switch {
	case graded != slices.Contains([]Group{Organics, Carbon, Colour, Pores, Build}, r.Group):
		return fmt.Errorf("group: found %q with %s", r.Group, r.Stance)
	case graded != (r.Reach == SurfaceOnly || r.Reach == WholeBody):
		return fmt.Errorf("reach: found %q with %s", r.Reach, r.Stance)
	case graded && (r.Method == anyWord && r.Outcome != assembledWord || r.Outcome == anyWord || r.Treatment == anyWord):
		return fmt.Errorf("found a wildcard with %s, accepted is one with SILENT only", r.Stance)
	case (r.Stance == Shows || r.Stance == Excludes) && r.Mark != Verified && r.Mark != SecondHand && r.Mark != ByMeaning:
		return fmt.Errorf("found %s on a source marked %s: what decides on its own needs a V, V2 or D", r.Stance, r.Mark)
	case r.Counted != nil && (r.Stance == Silent || r.Stance == StanceInapplicable):
		return fmt.Errorf("found counts with %s, which has none", r.Stance)
	}
	return nil
}

// readCondition splits a condition into its terms.
func readCondition(s string) ([]term, error) {
	var terms []term
	for word := range strings.FieldsSeq(s) {
		name, list, hasList := strings.Cut(word, "=")
		t := term{name: name}
		if hasList {
			t.values = strings.Split(list, "|")
		}
		var known []string
		switch name {
		case termKind:
			known = words(opal.AllMaterialKinds())
		case termLook:
			known = words(opal.AllLooks())
		case termWhere:
			known = words(opal.AllPlaces())
		case termColour:
			known = []string{"WHITE", "COLOURLESS"}
		case termLooked, termSank, termSameMoisture:
			if hasList {
				return nil, fmt.Errorf("condition: found %q, accepted is %s without a list", word, name)
			}
			terms = append(terms, t)
			continue
		default:
			return nil, fmt.Errorf("condition: found %q", word)
		}
		for _, v := range t.values {
			if !slices.Contains(known, v) {
				return nil, fmt.Errorf("condition: found %q in %q, accepted are %s", v, word, strings.Join(known, ", "))
			}
		}
		if len(t.values) == 0 {
			return nil, fmt.Errorf("condition: found %q, accepted is %s=…", word, name)
		}
		terms = append(terms, t)
	}
	return terms, nil
}

func words[W ~string](list []W) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = string(w)
	}
	return out
}

// readCounts reads the four counts: all or none.
func readCounts(f []string) (*Counted, error) {
	if strings.Join(f, "") == "" {
		return nil, nil
	}
	var n [4]int64
	for i, s := range f {
		v, err := strconv.ParseInt(s, 10, 64)
		if err != nil || v < 0 {
			return nil, fmt.Errorf("counts: found %q, accepted are four whole numbers or none", strings.Join(f, ","))
		}
		n[i] = v
	}
	if n[0] > n[1] || n[2] > n[3] || n[1] == 0 || n[3] == 0 {
		return nil, fmt.Errorf("counts: found %d of %d and %d of %d, accepted is at most as many, of at least one", n[0], n[1], n[2], n[3])
	}
	return &Counted{n[0], n[1], n[2], n[3]}, nil
}

// index finds the rules of every method, outcome and treatment, and refuses a table that leaves one open or a row that is never reached.
func (t *Table) index() error {
	reached := make([]bool, len(t.rules))
	for _, treatment := range opal.AllTreatments() {
		sensed := map[Group]bool{}
		for i := range t.rules {
			if r := &t.rules[i]; r.Group != "" && (r.Treatment == anyWord || r.Treatment == treatment) {
				sensed[r.Group] = true
			}
		}
		t.groups[treatment] = len(sensed)
		for i := range t.rules {
			if r := &t.rules[i]; r.Method == materialWord && (r.Treatment == anyWord || r.Treatment == treatment) {
				t.ofMaterial[treatment] = append(t.ofMaterial[treatment], r)
				reached[i] = true
			}
		}
		for _, method := range opal.AllMethods() {
			for _, outcome := range append(opal.Outcomes(method), assembledWord) {
				key := testKey{method, outcome, treatment}
				whole := false
				for i := range t.rules {
					if r := &t.rules[i]; !whole && r.covers(key) {
						t.byTest[key] = append(t.byTest[key], namedRule{r, r.idFor(method, outcome, treatment)})
						reached[i] = true
						whole = len(r.when) == 0
					}
				}
				if !whole {
					return fmt.Errorf("no row without a condition covers %s, %s, %s", method, outcome, treatment)
				}
			}
		}
	}
	for i, ok := range reached {
		if !ok {
			return fmt.Errorf("line %d: the row is never reached: a row above covers all that it covers", t.rules[i].Line)
		}
	}
	return nil
}

func (r *Rule) covers(key testKey) bool {
	return (r.Method == anyWord || r.Method == key.method) && (r.Outcome == anyWord || r.Outcome == key.outcome) &&
		(r.Treatment == anyWord || r.Treatment == key.treatment)
}

// idFor names the row for a question: "MICROSCOPE/CARBON_SPECKS/SMOKE", with the condition where there is one.
func (r *Rule) idFor(method opal.Method, outcome opal.Outcome, treatment opal.Treatment) string {
	id := string(method) + "/" + string(outcome) + "/" + string(treatment)
	if r.Condition != "" {
		id += " if " + r.Condition
	}
	return id
}

// knowsOutcome tells whether a method, or with * any method, has the outcome.
func knowsOutcome(method opal.Method, outcome opal.Outcome) bool {
	if method != anyWord {
		return method.KnowsOutcome(outcome)
	}
	return slices.ContainsFunc(opal.AllMethods(), func(m opal.Method) bool { return m.KnowsOutcome(outcome) })
}

// Terms of conditions.
const (
	termKind         = "kind"
	termLook         = "look"
	termColour       = "colour"
	termWhere        = "where"
	termLooked       = "looked"
	termSank         = "sank"
	termSameMoisture = "same-moisture"
)

// What a row may need to have been recorded.
const (
	needsCleaned       = "cleaned"
	needsGirdle        = "girdle"
	needsMagnification = "magnification"
	needsSpots         = "spots"
	needsSolvent       = "solvent"
	needsCounts        = "counts"
)
