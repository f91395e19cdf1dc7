package evidence

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Tables that were in force judge old logs for ever: their bytes must not change.
func TestTablesStayAsTheyWere(t *testing.T) {
	want := map[string]string{
		"v1": v1Hash,
	}
	for version, hash := range want {
		data, err := ruleFiles.ReadFile("rules/" + version + ".csv")
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(data)
		if got := hex.EncodeToString(sum[:]); got != hash {
			t.Errorf("rules/%s.csv has the SHA-256 %s, want %s: a table that judges is not edited, a new version is added", version, got, hash)
		}
		table, ok := TableByHash(sum)
		if !ok || table.Version != version {
			t.Errorf("TableByHash does not find %s", version)
		}
	}
	if len(loadTables()) != len(want) {
		t.Errorf("%d tables are embedded, %d are pinned here", len(loadTables()), len(want))
	}
	if latest := Latest(); latest.Version != "v1" {
		t.Errorf("the latest table is %s", latest.Version)
	}
	if _, ok := TableByHash([32]byte{1}); ok {
		t.Error("TableByHash finds a table that never was")
	}
}

func TestEveryOutcomeHasAStance(t *testing.T) {
	table := Latest()
	for _, m := range opal.AllMethods() {
		for _, o := range opal.Outcomes(m) {
			for _, treatment := range opal.AllTreatments() {
				rules := table.byTest[testKey{m, o, treatment}]
				if len(rules) == 0 || len(rules[len(rules)-1].when) != 0 {
					t.Errorf("%s, %s, %s is left open", m, o, treatment)
				}
				for _, r := range rules {
					if !strings.HasSuffix(r.Source, "["+string(r.Mark)+"]") || len(r.Source) < 10 {
						t.Errorf("line %d: the source reads %q", r.Line, r.Source)
					}
					if !strings.HasPrefix(r.id, string(m)+"/"+string(o)+"/"+string(treatment)) {
						t.Errorf("line %d: the rule's id is %q", r.Line, r.id)
					}
				}
			}
		}
	}
}

// What the table must not get wrong whatever else changes. The sources stand in the table's own lines.
func TestWhatTheTableMustGetRight(t *testing.T) {
	table := Latest()
	silentForAll := func(m opal.Method, o opal.Outcome) {
		for _, treatment := range opal.AllTreatments() {
			if m != "" && o == "ASSEMBLED" {
				continue
			}
			for _, r := range table.byTest[testKey{m, o, treatment}] {
				if r.Stance != Silent {
					t.Errorf("line %d: %s %s is %s on %s, want SILENT", r.Line, m, o, r.Stance, treatment)
				}
			}
		}
	}
	for _, m := range opal.AllMethods() {
		silentForAll(m, opal.Unreadable)
		for _, o := range opal.Outcomes(m) {
			for _, r := range table.byTest[testKey{m, o, opal.Heat}] {
				if r.Stance != Silent {
					t.Errorf("line %d: %s on HEAT, which no test tells", r.Line, r.Stance)
				}
			}
		}
	}
	for _, m := range []opal.Method{opal.UVShortWave, opal.UVLongWave, opal.Polariscope} {
		for _, o := range opal.Outcomes(m) {
			silentForAll(m, o)
		}
	}
	silentForAll(opal.Microscope, "COLOUR_UNEVEN")
	silentForAll(opal.Swab, "CLEAN_AFTER_WIPE")
	silentForAll(opal.HotPoint, "NO_CHANGE")
	silentForAll(opal.Hydrostatic, "BELOW_RANGE")
	silentForAll(opal.Refractometer, "BELOW_RANGE")
	silentForAll(opal.XRF, "BARIUM_HIGH")
	silentForAll(opal.XRF, "BARIUM_LOW")
	silentForAll(opal.SideView, "HIDDEN_BY_SETTING")
	for _, r := range table.Rules() {
		if (r.Stance == Shows || r.Stance == Excludes) && r.Mark != Verified && r.Mark != SecondHand && r.Mark != ByMeaning {
			t.Errorf("line %d: %s on a source marked %s", r.Line, r.Stance, r.Mark)
		}
		if r.Counted != nil {
			t.Errorf("line %d: counts, but no opal test has published ones", r.Line)
		}
	}
}

// The same, as a test's item on a single stone reads.
func TestStances(t *testing.T) {
	at := func(o opal.Outcome, place opal.Place) *opal.Tested {
		x := tested(opal.Raman, "")
		x.Findings = []opal.TestFinding{{Outcome: o, Where: place}}
		return x
	}
	without := func(condition string, x *opal.Tested) *opal.Tested {
		delete(x.Conditions, condition)
		return x
	}
	tests := map[string]struct {
		kind      opal.MaterialKind
		test      *opal.Tested
		treatment opal.Treatment
		want      Stance
	}{
		"water took on a tint: dye":                   {test: tested(opal.WaterUptake, "TINTED_WATER"), treatment: opal.Dye, want: Shows},
		"a stone that drinks could be dyed, no more":  {test: tested(opal.WaterUptake, "STRONG"), treatment: opal.Dye, want: Silent},
		"a stone that drinks is not sealed":           {test: tested(opal.WaterUptake, "MODERATE"), treatment: opal.Resin, want: Excludes},
		"a stone that drinks well is not sealed":      {test: tested(opal.WaterUptake, "STRONG"), treatment: opal.Resin, want: Excludes},
		"low uptake alone says nothing":               {test: tested(opal.WaterUptake, "NEGLIGIBLE"), treatment: opal.Resin, want: Silent},
		"a drop that soaks in":                        {test: tested(opal.WaterDrop, "SOAKED_IN"), treatment: opal.Resin, want: Excludes},
		"a drop that stays says nothing alone":        {test: tested(opal.WaterDrop, "STAYED_ON_TOP"), treatment: opal.Resin, want: Silent},
		"density that rose, with nothing before it":   {test: tested(opal.Hydrostatic, "ROSE_SINCE_LAST"), treatment: opal.Resin, want: Silent},
		"two readings point to a film":                {test: tested(opal.Refractometer, "TWO_READINGS"), treatment: opal.Coating, want: PointsTo},
		"colour in cracks":                            {test: tested(opal.Microscope, "COLOUR_IN_CRACKS"), treatment: opal.Dye, want: Shows},
		"colour in the cracks of ironstone":           {kind: opal.Boulder, test: tested(opal.Microscope, "COLOUR_IN_CRACKS"), treatment: opal.Dye, want: PointsTo},
		"uneven colour: the papers contradict":        {test: tested(opal.Microscope, "COLOUR_UNEVEN"), treatment: opal.Dye, want: Silent},
		"carbon specks: native carbon exists":         {test: tested(opal.Microscope, "CARBON_SPECKS"), treatment: opal.Smoke, want: PointsTo},
		"carbon in scratches":                         {test: tested(opal.Microscope, "CARBON_IN_SCRATCHES"), treatment: opal.Smoke, want: Shows},
		"pale under a dark skin":                      {test: tested(opal.Microscope, "PALE_UNDER_DARK_SKIN"), treatment: opal.Smoke, want: Shows},
		"pepper specks in matrix opal":                {kind: opal.Matrix, test: tested(opal.Microscope, "PEPPER_SPECKS"), treatment: opal.SugarAcid, want: Shows},
		"pepper specks in another opal":               {test: tested(opal.Microscope, "PEPPER_SPECKS"), treatment: opal.SugarAcid, want: PointsTo},
		"nothing seen, looked for":                    {test: tested(opal.Microscope, opal.NothingSeen, opal.Smoke), treatment: opal.Smoke, want: PointsAway},
		"nothing seen, not looked for":                {test: tested(opal.Microscope, opal.NothingSeen, opal.Smoke), treatment: opal.Dye, want: Silent},
		"nothing seen at what magnification?":         {test: without("magnification", tested(opal.Microscope, opal.NothingSeen, opal.Smoke)), treatment: opal.Smoke, want: Silent},
		"colour on the swab":                          {test: tested(opal.Swab, "COLOUR_ON_SWAB"), treatment: opal.Dye, want: Shows},
		"a short wipe rules nothing out":              {test: tested(opal.Swab, "CLEAN_AFTER_WIPE", opal.Dye), treatment: opal.Dye, want: Silent},
		"no change at the hot point":                  {test: tested(opal.HotPoint, "NO_CHANGE", opal.OilWax), treatment: opal.OilWax, want: Silent},
		"ultraviolet":                                 {test: tested(opal.UVLongWave, "STRONG"), treatment: opal.OilWax, want: Silent},
		"deep ultraviolet, direction only":            {test: tested(opal.DeepUVImaging, "UNLIKE_REFERENCE"), treatment: opal.Dye, want: PointsTo},
		"resin bands of a cleaned stone":              {test: tested(opal.Infrared, "RESIN_BANDS"), treatment: opal.Resin, want: Shows},
		"resin bands of an uncleaned stone":           {test: without("cleaned", tested(opal.Infrared, "RESIN_BANDS")), treatment: opal.Resin, want: PointsTo},
		"organic matter decides nothing":              {test: tested(opal.Infrared, "ORGANICS_PRESENT"), treatment: opal.Resin, want: PointsTo},
		"organic matter on an uncleaned stone":        {test: without("cleaned", tested(opal.Infrared, "ORGANICS_PRESENT")), treatment: opal.Resin, want: Silent},
		"infrared does not see smoke":                 {test: tested(opal.Infrared, "NONE", opal.Smoke), treatment: opal.Smoke, want: Silent},
		"a clean spectrum, resin looked for":          {test: tested(opal.Infrared, "NONE", opal.Resin), treatment: opal.Resin, want: PointsAway},
		"a clean spectrum, resin not looked for":      {test: tested(opal.Infrared, "NONE"), treatment: opal.Resin, want: Silent},
		"carbon bands somewhere":                      {test: at("CARBON_BANDS", opal.Body), treatment: opal.Smoke, want: PointsTo},
		"carbon bands in a scratch":                   {test: at("CARBON_BANDS", opal.Scratch), treatment: opal.Smoke, want: Shows},
		"carbon bands in the skin":                    {test: at("CARBON_BANDS", opal.Skin), treatment: opal.Smoke, want: Shows},
		"carbon bands in a crack":                     {test: at("CARBON_BANDS", opal.Crack), treatment: opal.Smoke, want: Shows},
		"dye bands in Raman":                          {test: tested(opal.Raman, "DYE_BANDS"), treatment: opal.Dye, want: Shows},
		"the spectrum of the colour, without counts":  {test: tested(opal.UVVis, "NOT_IRON_LIKE"), treatment: opal.Dye, want: Silent},
		"too little iron for the colour":              {test: tested(opal.XRF, "IRON_TOO_LOW"), treatment: opal.Dye, want: PointsTo},
		"barium speaks of origin":                     {test: tested(opal.XRF, "BARIUM_HIGH"), treatment: opal.Dye, want: Silent},
		"strain shadows":                              {test: tested(opal.Polariscope, "STRAIN_SHADOWS"), treatment: opal.Resin, want: Silent},
		"no join around the whole girdle":             {test: tested(opal.SideView, "NO_JOIN"), treatment: opal.Backing, want: Excludes},
		"no join in the part of the girdle seen":      {test: without("wholeGirdle", tested(opal.SideView, "NO_JOIN")), treatment: opal.Backing, want: PointsAway},
		"a straight join":                             {test: tested(opal.SideView, "STRAIGHT_JOIN"), treatment: opal.Backing, want: Shows},
		"hidden by the setting":                       {test: tested(opal.SideView, "HIDDEN_BY_SETTING"), treatment: opal.Backing, want: Silent},
		"heat is told by nothing":                     {test: tested(opal.Infrared, "MANY"), treatment: opal.Heat, want: Silent},
		"an identification as assembled is a backing": {test: assembled(), treatment: opal.Backing, want: Shows},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			kind := test.kind
			if kind == "" {
				kind = opal.Hydrophane
			}
			w.post("mine", "mine.s", "2026-01-01", minedOf(kind, 1))
			w.post("lab", "mine.s", "2026-02-01", test.test)
			items := w.status("mine.s").of(test.treatment).Evidence
			if len(items) != 1 || items[0].Stance != test.want {
				t.Errorf("found %+v, want one item that is %s", items, test.want)
			}
			if len(items) == 1 && (items[0].Rule == "" || items[0].Source == "" || items[0].Text == "") {
				t.Errorf("rule %q, source %q, text %q", items[0].Rule, items[0].Source, items[0].Text)
			}
		})
	}
}

func assembled() *opal.Tested {
	x := tested(opal.SideView, "")
	x.Identity = opal.Assembled
	return x
}

// Conditions are free text: their names are compared by their letters, and "no" is not "yes".
func TestConditionsByLetters(t *testing.T) {
	tests := map[string]struct {
		name, value string
		want        bool
	}{
		"as the table writes it": {"girdle", "whole", true},
		"camel case":             {"wholeGirdle", "yes", true},
		"words":                  {"whole girdle", "Yes ", true},
		"no":                     {"wholeGirdle", "no", false},
		"a part":                 {"girdle", "one side", false},
		"something else":         {"girdleThickness", "yes", false},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			got := said(map[string]string{test.name: test.value}, yesWhole, "wholegirdle", "girdle")
			if got != test.want {
				t.Errorf("%s: %s is %v, want %v", test.name, test.value, got, test.want)
			}
		})
	}
	for value, want := range map[string]bool{"yes": true, "acetone, 5 minutes": true, "no": false, "none": false, "": false, "No": false} {
		if got := said(map[string]string{"cleaned": value}, anythingButNo, "cleaned"); got != want {
			t.Errorf("cleaned: %q is %v, want %v", value, got, want)
		}
	}
}

func TestLoadTableRefuses(t *testing.T) {
	const head = "version,v1\nsource,S,V,a source\n"
	const all = "rule,*,*,*,,,SILENT,,,,S,,,,\n"
	tests := map[string]struct{ table, want string }{
		"what is allowed":              {head + all, ""},
		"no version":                   {"source,S,V,a source\n" + all, "no version"},
		"two versions":                 {head + "version,v2\n" + all, `line 3: found version "v2" after "v1"`},
		"a version that is no number":  {"version,new\n", `version "new"`},
		"a hole":                       {head + "rule,MICROSCOPE,*,*,,,SILENT,,,,S,,,,\n", "no row without a condition covers WATER_UPTAKE, NEGLIGIBLE, DYE"},
		"a hole under a condition":     {head + "rule,*,*,*,looked,,SILENT,,,,S,,,,\n", "no row without a condition"},
		"a row that is never reached":  {head + all + "rule,RAMAN,DYE_BANDS,DYE,,,SHOWS,,COLOUR,SURFACE,S,,,,\n", "line 4: the row is never reached"},
		"a source that is not there":   {head + "rule,*,*,*,,,SILENT,,,,X,,,,\n", `source: found "X"`},
		"a source that nobody uses":    {head + "source,X,V,another\n" + all, "line 3: source X is used by no rule"},
		"a source twice":               {head + "source,S,V,again\n" + all, `found source "S"`},
		"an unknown mark":              {"version,v1\nsource,S,W,a source\n", `mark "W"`},
		"an unknown method":            {head + "rule,LOUPE,*,*,,,SILENT,,,,S,,,,\n", `line 3: method: found "LOUPE"`},
		"an outcome of another method": {head + "rule,RAMAN,STRONG,DYE,,,SILENT,,,,S,,,,\n", `outcome: found "STRONG", which RAMAN does not have`},
		"an unknown treatment":         {head + "rule,RAMAN,DYE_BANDS,PAINT,,,SILENT,,,,S,,,,\n", `treatment: found "PAINT"`},
		"an unknown stance":            {head + "rule,RAMAN,DYE_BANDS,DYE,,,PROVES,,,,S,,,,\n", `stance: found "PROVES"`},
		"an unknown condition":         {head + "rule,RAMAN,DYE_BANDS,DYE,moon=full,,SILENT,,,,S,,,,\n", `condition: found "moon=full"`},
		"an unknown kind":              {head + "rule,RAMAN,DYE_BANDS,DYE,kind=GLASS,,SILENT,,,,S,,,,\n", `found "GLASS" in "kind=GLASS"`},
		"an unknown need":              {head + "rule,RAMAN,DYE_BANDS,DYE,,luck,SILENT,,,,S,,,,\n", `needs: found "luck"`},
		"no group":                     {head + "rule,RAMAN,DYE_BANDS,DYE,,,SHOWS,,,SURFACE,S,,,,\n" + all, `group: found ""`},
		"no reach":                     {head + "rule,RAMAN,DYE_BANDS,DYE,,,SHOWS,,COLOUR,,S,,,,\n" + all, `reach: found ""`},
		"a wildcard that decides":      {head + "rule,RAMAN,*,DYE,,,SHOWS,,COLOUR,SURFACE,S,,,,\n" + all, "a wildcard with SHOWS"},
		"an extent without EXCLUDES":   {head + "rule,RAMAN,DYE_BANDS,DYE,,,SHOWS,FULL,COLOUR,SURFACE,S,,,,\n" + all, `extent: found "FULL"`},
		"a sign from memory":           {"version,v1\nsource,S,M,a memory\nrule,RAMAN,DYE_BANDS,DYE,,,SHOWS,,COLOUR,SURFACE,S,,,,\n", "SHOWS on a source marked M"},
		"an exclusion by practice":     {"version,v1\nsource,S,P,practice\nrule,SIDE_VIEW,NO_JOIN,BACKING,,,EXCLUDES,,BUILD,SURFACE,S,,,,\n", "EXCLUDES on a source marked P"},
		"counts that cannot be":        {head + "rule,RAMAN,DYE_BANDS,DYE,,,POINTS_TO,,COLOUR,SURFACE,S,5,4,0,10\n", "5 of 4"},
		"half the counts":              {head + "rule,RAMAN,DYE_BANDS,DYE,,,POINTS_TO,,COLOUR,SURFACE,S,5,10,,\n", "four whole numbers or none"},
		"NOT_APPLICABLE to a test":     {head + "rule,RAMAN,DYE_BANDS,DYE,,,NOT_APPLICABLE,,,,S,,,,\n", "said of the material itself"},
		"a line of another kind":       {head + "note,this\n", `found "note" with 2 fields`},
		"a field too few":              {head + "rule,*,*,*,,,SILENT,,,,S,,,\n", `found "rule" with 14 fields`},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := LoadTable([]byte(test.table))
			switch {
			case test.want == "" && err != nil:
				t.Errorf("refused: %v", err)
			case test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)):
				t.Errorf("found %v, want an error that says %q", err, test.want)
			}
		})
	}
}

const v1Hash = "510ccff4f9c7b305901dc416a1591b6b6375d9996576fc9edc1583ff0a1169b9"
