package sheet_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/eventfile"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/sheet"
)

const plain = `lot,occurredAt,moisture,remark,mined.origin.country,mined.material.kind,mined.pieces,mined.mass
harrow-gully.r1,2024-03-04,DRY,"said ""dark"", seam 2",AU,SEDIMENTARY,96,0.940 kg
harrow-gully.r2,2024-03-19,,,AU,BOULDER,,312.5 g
`

func read(t *testing.T, text string) []*eventfile.Entry {
	t.Helper()
	entries, err := sheet.Read("rough.csv", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return entries
}

// sameAs compares with events written as YAML: a sheet says the same as a file, down to the id.
func sameAs(t *testing.T, got []*eventfile.Entry, yaml string) {
	t.Helper()
	want, err := eventfile.Read("a.yaml", []byte(yaml), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("found %d events, want %d", len(got), len(want))
	}
	for i := range got {
		if !proto.Equal(got[i].Event, want[i].Event) {
			t.Errorf("event %d:\nfound %v\nwant  %v", i+1, got[i].Event, want[i].Event)
		}
	}
}

const plainYAML = `
- {lot: harrow-gully.r1, occurredAt: 2024-03-04, moisture: DRY, remark: 'said "dark", seam 2',
   mined: {origin: {country: AU}, material: {kind: SEDIMENTARY}, pieces: 96, mass: 0.940 kg}}
- {lot: harrow-gully.r2, occurredAt: 2024-03-19, mined: {origin: {country: AU}, material: {kind: BOULDER}, mass: 312.5 g}}
`

func TestWhatSpreadsheetsWrite(t *testing.T) {
	semicolons := "lot;occurredAt;moisture;remark;mined.origin.country;mined.material.kind;mined.pieces;mined.mass\n" +
		"harrow-gully.r1;2024-03-04;DRY;\"said \"\"dark\"\", seam 2\";AU;SEDIMENTARY;96;0,940 kg\n" +
		"harrow-gully.r2;2024-03-19;;;AU;BOULDER;;312,5 g\n"
	for name, text := range map[string]string{
		"commas":                    plain,
		"semicolons, decimal comma": semicolons,
		"tabs":                      strings.ReplaceAll(semicolons, ";", "\t"),
		"a byte order mark":         "\ufeff" + plain,
		"line ends of Windows":      strings.ReplaceAll(plain, "\n", "\r\n"),
		"a separator line":          "sep=;\r\n" + semicolons,
		"empty rows":                strings.ReplaceAll(plain, "\n", "\n,,,,,,,\n\n"),
		"empty columns":             strings.ReplaceAll(plain, "\n", ",,\n"),
		"spaces":                    strings.ReplaceAll(strings.ReplaceAll(plain, "AU", "  AU "), "mined.mass", " mined.mass "),
		"every cell quoted":         quoted(t, plain),
		"a unit in the heading":     strings.NewReplacer("mined.mass", "mined.mass [g]", "312.5 g", "312.5").Replace(plain),
	} {
		t.Run(name, func(t *testing.T) { sameAs(t, read(t, text), plainYAML) })
	}
}

func quoted(t *testing.T, text string) string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, row := range rows {
		for i, cell := range row {
			if i > 0 {
				b.WriteByte(',')
			}
			fmt.Fprintf(&b, `"%s"`, strings.ReplaceAll(cell, `"`, `""`))
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func TestListsGoOverRows(t *testing.T) {
	got := read(t, `lot,occurredAt,cut.stones[].lot,cut.stones[].mass [ct],cut.stones[].dimensionsMm,cut.offcuts[].lot,cut.offcuts[].mass,tested.method,tested.sample.kind,tested.outcome,tested.lookedFor,tested.conditions.cleaned,acquired.statedUntreated,acquired.material.kind,acquired.mass
wet-wheel.a,2024-07-02,wet-wheel.k1,"7,42","14,1 x 10.2×6",wet-wheel.k-oc,31.2 g
,,wet-wheel.k2,6.88 ct,,,
,,,,,wet-wheel.k-oc2,1.2 g
wet-wheel.k1,2024-07-03,,,,,,MICROSCOPE,WHOLE,NOTHING_SEEN,DYE; SMOKE|RESIN,yes
wet-wheel.z,2024-07-04,,,,,,,,,,,TRUE,HYDROPHANE,5 g
`)
	sameAs(t, got, `
- lot: wet-wheel.a
  occurredAt: 2024-07-02
  cut:
    stones: [{lot: wet-wheel.k1, mass: 7.42 ct, dimensionsMm: [14.1, 10.2, 6]}, {lot: wet-wheel.k2, mass: 6.88 ct}]
    offcuts: [{lot: wet-wheel.k-oc, mass: 31.2 g}, {lot: wet-wheel.k-oc2, mass: 1.2 g}]
- {lot: wet-wheel.k1, occurredAt: 2024-07-03, tested: {method: MICROSCOPE, sample: {kind: WHOLE}, outcome: NOTHING_SEEN, lookedFor: [DYE, SMOKE, RESIN], conditions: {cleaned: yes}}}
- {lot: wet-wheel.z, occurredAt: 2024-07-04, acquired: {statedUntreated: true, material: {kind: HYDROPHANE}, mass: 5 g}}
`)
	if got[1].Line != 5 {
		t.Errorf("the second event is on line %d, want 5", got[1].Line)
	}
}

func TestAllProblemsAreTold(t *testing.T) {
	_, err := sheet.Read("rough.csv", []byte(`lot,occurredAt,mined.origin.country,mined.material.kind,mined.pieces,mined.mass
harrow-gully.r1,04/03/2024,AU,SEDIMENTRY,96,0.940 kg
harrow-gully.r2,2024-03-05,AUS,BOULDER,many,312.5
harrow-gully.r3,2024-03-06,AU,BOULDER,12,1 kg
Harrow.r4,,AU,BOULDER,-3,"1,250 kg",extra
`))
	want := []string{
		`rough.csv, event 1, line 2: INVALID_FIELD: occurredAt: found "04/03/2024", accepted is a time such as`,
		`rough.csv, event 1, line 2: INVALID_FIELD: mined.material.kind: found "SEDIMENTRY", accepted is one of`,
		`rough.csv, event 2, line 3: INVALID_FIELD: mined.pieces: found "many", accepted is a whole number`,
		`rough.csv, event 2, line 3: INVALID_FIELD: mined.origin.country: found "AUS"`,
		`rough.csv, event 2, line 3: INVALID_FIELD: mined.mass: found "312.5", accepted is a number, at most one space and one of the units`,
		`rough.csv, line 5: INVALID_FIELD: found "extra" in column 7, and the header row has 6 columns`,
		`rough.csv, event 4, line 5: INVALID_FIELD: mined.mass: found "1,250", which can be 1.250 or 1250; accepted is a point`,
		`rough.csv, event 4, line 5: INVALID_FIELD: lot: found "Harrow.r4", accepted is a lot id`,
		`rough.csv, event 4, line 5: INVALID_FIELD: occurredAt: found`,
	}
	startsWith(t, err, want)
	if fault.Of(err) != fault.InvalidField {
		t.Errorf("reason %s", fault.Of(err))
	}
}

func startsWith(t *testing.T, err error, want []string) {
	t.Helper()
	if err == nil {
		t.Fatal("accepted")
	}
	lines := strings.Split(err.Error(), "\n")
	for i := range min(len(lines), len(want)) {
		if !strings.HasPrefix(lines[i], want[i]) {
			t.Errorf("found %q, want it to start %q", lines[i], want[i])
		}
	}
	if len(lines) != len(want) {
		t.Errorf("found %d problems, want %d:\n%v", len(lines), len(want), err)
	}
}

func TestTablesThatAreRefused(t *testing.T) {
	tests := map[string]struct {
		text string
		want []string
	}{
		"an unknown column": {"lot,occuredAt\na-b.c,2024-01-01\n", []string{`rough.csv, line 1: INVALID_FIELD: found the heading "occuredAt", and there is no field "occuredAt"; accepted here are requestId, lot,`}},
		"all bad headings": {"lot,mined,mined.mass.x,lot,split.children.lot,position,colour [ct],mined.form [ct]\n", []string{
			`rough.csv, line 1: INVALID_FIELD: found the heading "mined", which has fields of its own`,
			`rough.csv, line 1: INVALID_FIELD: found the heading "mined.mass.x", accepted is nothing below mass`,
			`rough.csv, line 1: INVALID_FIELD: found the column "lot" twice`,
			`rough.csv, line 1: INVALID_FIELD: found the heading "split.children.lot", accepted is "children" with "[]"`,
			`rough.csv, line 1: INVALID_FIELD: found the heading "position", and there is no field`,
			`rough.csv, line 1: INVALID_FIELD: found the heading "colour [ct]", and there is no field`,
			`rough.csv, line 1: INVALID_FIELD: found a unit in the heading "mined.form [ct]"`,
		}},
		"two bodies":     {"lot,occurredAt,counted.why,counted.pieces,set.piece\na-b.c,2024-01-01,LOST,1,ring\n", []string{"rough.csv, event 1, line 2: INVALID_FIELD: set: found both counted and set, accepted is exactly one body"}},
		"no rows":        {"lot,occurredAt\n", []string{"rough.csv: INVALID_FIELD: found a header row and no events"}},
		"nothing":        {"\n\n", []string{"rough.csv: INVALID_FIELD: found no header row"}},
		"Windows-1252":   {"lot\ncaf\xe9\n", []string{"rough.csv: INVALID_FIELD: found bytes that are no UTF-8"}},
		"UTF-16":         {"l\x00o\x00t\x00", []string{"rough.csv: INVALID_FIELD: found bytes that are no UTF-8"}},
		"a stray quote":  {"lot,remark\na-b.c,5\" long\n", []string{"rough.csv, line 2: INVALID_FIELD: found what is not CSV"}},
		"an odd parting": {"sep=x\nlotxremark\n", []string{`rough.csv, line 1: INVALID_FIELD: found 'x' between cells`}},
		"too many":       {tooMany(), []string{"rough.csv: TOO_LARGE: found 1001 events, accepted are 1000 in one table"}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := sheet.Read("rough.csv", []byte(test.text))
			startsWith(t, err, test.want)
		})
	}
}

func tooMany() string {
	var b strings.Builder
	b.WriteString("lot,occurredAt,counted.why,counted.pieces\n")
	for i := range sheet.MaxEvents + 1 {
		fmt.Fprintf(&b, "a-b.c%d,2024-01-01,LOST,1\n", i)
	}
	return b.String()
}

// Commas in masses: converted where they can mean one thing only.
func TestDecimalCommas(t *testing.T) {
	tests := []struct {
		separator, cell, want string // no want: refused
	}{
		{",", "3,42 ct", "3.42 ct"},
		{",", "0,684 g", "0.684 g"},
		{",", "1,2505 kg", "1.2505 kg"},
		{",", "1,250 kg", ""},
		{"\t", "1,250 kg", ""},
		{";", "1,250 kg", "1.250 kg"},
		{";", "12,5g", "12.5g"},
		{",", "1234,567 g", "1234.567 g"},
		{",", "1,234,567 g", ""},
		{";", "1.234,5 g", ""},
		{",", "1'250 g", ""},
	}
	for _, test := range tests {
		t.Run(test.separator+test.cell, func(t *testing.T) {
			var b bytes.Buffer
			w := csv.NewWriter(&b)
			w.Comma = rune(test.separator[0])
			if err := w.WriteAll([][]string{{"lot", "occurredAt", "described.measuredMass"}, {"a-b.c", "2024-01-01", test.cell}}); err != nil {
				t.Fatal(err)
			}
			entries, err := sheet.Read("a.csv", b.Bytes())
			switch {
			case (err != nil) != (test.want == ""):
				t.Errorf("found %v, want %q", err, test.want)
			case err == nil && entries[0].Event.GetDescribed().GetMeasuredMass() != test.want:
				t.Errorf("found %q, want %q", entries[0].Event.GetDescribed().GetMeasuredMass(), test.want)
			case err != nil && !strings.Contains(err.Error(), "described.measuredMass: found"):
				t.Errorf("found %v", err)
			}
		})
	}
}

// The template of every kind is a header row that is accepted.
func TestTemplatesAreRead(t *testing.T) {
	kinds := sheet.Kinds()
	if len(kinds) < 25 {
		t.Fatalf("found only %q", kinds)
	}
	for _, kind := range kinds {
		t.Run(kind, func(t *testing.T) {
			heads, err := sheet.Template(kind)
			if err != nil {
				t.Fatal(err)
			}
			_, err = sheet.Read("a.csv", []byte(strings.Join(heads, ",")+"\n"))
			if err == nil || !strings.Contains(err.Error(), "found a header row and no events") {
				t.Errorf("found %v", err)
			}
		})
	}
	if _, err := sheet.Template("mind"); err == nil || !strings.Contains(err.Error(), `found "mind", accepted is one of mined,`) {
		t.Errorf("found %v", err)
	}
	got, err := sheet.Template("split")
	want := []string{"requestId", "lot", "occurredAt", "moisture", "remark", "split.rest.pieces", "split.rest.mass", "split.rest.moisture",
		"split.children[].lot", "split.children[].pieces", "split.children[].mass", "split.children[].moisture", "split.manner",
		"split.sortedBy", "split.selectedBy", "split.selection", "split.loss.mass", "split.loss.pieces", "split.loss.why", "split.loss.measured"}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("error %v, -want +got:\n%s", err, diff)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(plain))
	f.Add([]byte("sep=;\nlot;occurredAt;counted.why\na;b;\"c\"\n"))
	f.Add([]byte("cut.stones[].lot,cut.offcuts[].mass [ct],lot\na,1,\nb,,c\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		entries, err := sheet.Read("a.csv", data)
		if err == nil && len(entries) == 0 || err != nil && fault.Of(err) == fault.InternalError {
			t.Fatalf("%d events, error %v", len(entries), err)
		}
	})
}
