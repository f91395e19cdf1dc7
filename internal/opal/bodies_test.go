package opal

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

func TestKinds(t *testing.T) {
	for _, k := range AllKinds() {
		e := sampleEvent(t, k)
		if e.Kind() != k {
			t.Errorf("the kind of %s is %s", k, e.Kind())
		}
		if n, first, second := e.bodies(); n != 1 || first != k || second != "" {
			t.Errorf("the bodies of %s: %d, %s, %s", k, n, first, second)
		}
	}
	if n, first, second := (&Event{}).bodies(); n != 0 || first != "" || second != "" || (&Event{}).Kind() != "" || Kind("").HasLot() {
		t.Error("an event without a body")
	}
	var without, opening []Kind
	for _, k := range AllKinds() {
		if !k.HasLot() {
			without = append(without, k)
		}
		if k.OpensLot() {
			opening = append(opening, k)
		}
	}
	if want := []Kind{KindEnrolled, KindTokenIssued, KindTokenRevoked, KindKeyAdded, KindKeyRevoked, KindMethodValidated, KindPolicySet, KindLogOpened}; !slices.Equal(without, want) {
		t.Errorf("kinds without a lot: %v", without)
	}
	if want := []Kind{KindMined, KindAcquired, KindCombined}; !slices.Equal(opening, want) {
		t.Errorf("kinds that open their lot: %v", opening)
	}
}

// The replacement can hold exactly the bodies of ReplaceableKinds, and each is found.
func TestReplacementKinds(t *testing.T) {
	bodies := 0
	typ := reflect.TypeFor[Replacement]()
	for i := range typ.NumField() {
		if typ.Field(i).Type.Kind() == reflect.Pointer {
			bodies++
		}
	}
	if bodies != len(ReplaceableKinds()) {
		t.Errorf("%d bodies, %d kinds", bodies, len(ReplaceableKinds()))
	}
	for _, k := range ReplaceableKinds() {
		if got := sampleCorrection(t, k).Corrected.Replacement.Kind(); got != k {
			t.Errorf("the kind of a replacement of %s is %q", k, got)
		}
	}
	if k := (&Replacement{}).Kind(); k != "" {
		t.Errorf("the kind of an empty replacement is %q", k)
	}
}

func TestNewLots(t *testing.T) {
	want := map[Kind][]string{
		KindMined: {"harrow-gully.r7"}, KindAcquired: {"harrow-gully.r7"}, KindCombined: {"harrow-gully.r7"},
		KindSplit:      {"harrow-gully.a", "harrow-gully.b"},
		KindCut:        {"harrow-gully.s1", "harrow-gully.s2", "harrow-gully.o1"},
		KindHandedOver: {"harrow-gully.p1"}, KindSold: {"harrow-gully.p1"},
	}
	for _, k := range AllKinds() {
		if got := NewLots(sampleEvent(t, k)); !slices.Equal(got, want[k]) {
			t.Errorf("new lots of %s: %v, want %v", k, got, want[k])
		}
	}
	for _, k := range ReplaceableKinds() {
		if got := NewLots(sampleCorrection(t, k)); got != nil {
			t.Errorf("new lots of a corrected %s: %v", k, got)
		}
	}
	e := sampleEvent(t, KindSold)
	e.Sold.Part = nil
	if got := NewLots(e); got != nil {
		t.Errorf("new lots of a whole sale: %v", got)
	}
}

// Private lists exactly the fields whose tags keep them out of a statement.
func TestPrivateIsWhatStatementsLeaveOut(t *testing.T) {
	for name, e := range samples(t) {
		want := map[string]*string{}
		for _, l := range leaves(e) {
			if l.private {
				want[l.path] = l.value.Addr().Interface().(*string)
			}
		}
		list := Private(e)
		for _, p := range list {
			if want[p.Path] != p.Value {
				t.Errorf("%s: %s does not point at its field", name, p.Path)
			}
			delete(want, p.Path)
		}
		for path := range want {
			t.Errorf("%s: %s is missing", name, path)
		}
		if list[0].Path != "remark" {
			t.Errorf("%s: the first is %s", name, list[0].Path)
		}
		// They are listed although empty, at the same places.
		for _, p := range list {
			*p.Value = ""
		}
		if again := Private(e); !slices.Equal(again, list) {
			t.Errorf("%s: emptied, other fields are listed", name)
		}
	}
}

// The paths and their order are part of the stored format.
func TestPrivatePaths(t *testing.T) {
	paths := func(e *Event) string {
		var s []string
		EachPrivate(e, func(path string, _ *string) { s = append(s, path) })
		return strings.Join(s, " ")
	}
	all := sampleEvent(t, KindMined)
	all.Acquired, all.Sold, all.Enrolled = sampleEvent(t, KindAcquired).Acquired, sampleEvent(t, KindSold).Sold, sampleEvent(t, KindEnrolled).Enrolled
	all.Corrected = &Corrected{Replacement: &Replacement{Mined: all.Mined, Acquired: all.Acquired, Sold: all.Sold}}
	const want = "remark mined.origin.region mined.origin.deposit mined.origin.licence acquired.from sold.price attachments[0].name attachments[1].name" +
		" enrolled.displayName enrolled.contact corrected.replacement.mined.origin.region corrected.replacement.mined.origin.deposit" +
		" corrected.replacement.mined.origin.licence corrected.replacement.acquired.from corrected.replacement.sold.price"
	if got := paths(all); got != want {
		t.Errorf("paths:\n%s\nwant:\n%s", got, want)
	}
	if got := paths(&Event{Corrected: &Corrected{}}); got != "remark" {
		t.Errorf("paths of an event with nothing private: %s", got)
	}
}

// Texts lists every plain string that is no id, country or time, and nothing else.
func TestTextsAreWhole(t *testing.T) {
	for name, e := range samples(t) {
		var want []TextField
		for _, l := range leaves(e) {
			if l.value.Type() == reflect.TypeFor[string]() && isFreeText(l.path) && !strings.HasSuffix(l.path, ".handle") &&
				!strings.HasPrefix(l.path, "logOpened.") { // a log's name and the checkpoint it continues have forms of their own
				want = append(want, TextField{l.path, l.value.String()})
			}
		}
		got := slices.DeleteFunc(Texts(e), func(f TextField) bool { return strings.Contains(f.Path, "tested.conditions") })
		byPath := func(a, b TextField) int { return strings.Compare(a.Path, b.Path) }
		slices.SortFunc(want, byPath)
		slices.SortFunc(got, byPath)
		if !slices.Equal(got, want) {
			t.Errorf("%s: texts %v, want %v", name, got, want)
		}
		if beyond := TextsBeyondASCII(e); beyond != nil {
			t.Errorf("%s: beyond ASCII: %v", name, beyond)
		}
	}
}

func TestTextsOfConditions(t *testing.T) {
	e := sampleCorrection(t, KindTested)
	e.Remark = ""
	e.Corrected.Replacement.Tested.Conditions["light"] = "µ"
	var got []TextField
	for _, f := range Texts(e) {
		if strings.Contains(f.Path, "conditions") {
			got = append(got, f)
		}
	}
	const at = "corrected.replacement.tested.conditions"
	want := []TextField{{at + `["light"]`, "light"}, {at + `["light"]`, "µ"}, {at + `["magnification"]`, "magnification"}, {at + `["magnification"]`, "40"}}
	if !slices.Equal(got, want) {
		t.Errorf("texts of the conditions: %v, want %v", got, want)
	}
	if got := TextsBeyondASCII(e); !slices.Equal(got, want[1:2]) {
		t.Errorf("beyond ASCII: %v", got)
	}
	named := sampleEvent(t, KindTested)
	named.Tested.Conditions = map[string]string{"größe": "40"}
	if got := TextsBeyondASCII(named); len(got) != 1 || got[0] != (TextField{`tested.conditions["größe"]`, "größe"}) {
		t.Errorf("a condition's name beyond ASCII: %v", got)
	}
	if slices.ContainsFunc(Texts(e), func(f TextField) bool { return f.Value == "" || f.Path == "remark" }) {
		t.Error("an empty text is listed")
	}
}

func TestTextsBeyondASCII(t *testing.T) {
	e := sampleEvent(t, KindCut)
	e.Cut.Stones[1].Shape = "pear, 5 × 3"
	e.Attachments[1].Name = "Bild von früh.pdf"
	want := []TextField{{"attachments[1].name", "Bild von früh.pdf"}, {"cut.stones[1].shape", "pear, 5 × 3"}}
	if got := TextsBeyondASCII(e); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// A clone equals its original and shares nothing with it that can be changed.
func TestClone(t *testing.T) {
	for name, e := range samples(t) {
		c := Clone(e)
		if !reflect.DeepEqual(c, e) {
			t.Errorf("%s: the clone differs", name)
		}
		shares(t, name, reflect.ValueOf(c), reflect.ValueOf(e))
	}
	if Clone(nil) != nil {
		t.Error("a clone of nothing")
	}
	if c := Clone(&Event{}); !reflect.DeepEqual(c, &Event{}) {
		t.Error("a clone of an empty event")
	}
	if c := Clone(&Event{Corrected: &Corrected{}, Split: &Split{}, Cut: &Cut{}, Tested: &Tested{}, Treated: &Treated{}}); c.Corrected.Replacement != nil || c.Split.Rest != nil || c.Tested.Destroyed != nil || c.Treated.Process != nil {
		t.Error("a clone has what the original has not")
	}
}

func shares(t *testing.T, path string, a, b reflect.Value) {
	t.Helper()
	switch a.Kind() {
	case reflect.Pointer, reflect.Map, reflect.Slice:
		if a.IsNil() {
			return
		}
		if a.Pointer() == b.Pointer() {
			t.Errorf("%s is shared", path)
		}
	}
	switch a.Kind() {
	case reflect.Pointer:
		shares(t, path, a.Elem(), b.Elem())
	case reflect.Slice:
		for i := range a.Len() {
			shares(t, path+"[]", a.Index(i), b.Index(i))
		}
	case reflect.Struct:
		for i := range a.NumField() {
			shares(t, path+"."+a.Type().Field(i).Name, a.Field(i), b.Field(i))
		}
	}
}

// The layout of what is signed: every field has a number, none twice within a struct, private ones have none.
func TestKeysAreUnique(t *testing.T) {
	seen := map[reflect.Type]bool{}
	var walk func(typ reflect.Type)
	walk = func(typ reflect.Type) {
		for typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice || typ.Kind() == reflect.Map {
			typ = typ.Elem()
		}
		if typ.Kind() != reflect.Struct || seen[typ] {
			return
		}
		seen[typ] = true
		keys := map[string]string{}
		for i := range typ.NumField() {
			f := typ.Field(i)
			tag := f.Tag.Get("cbor")
			key, rest, _ := strings.Cut(tag, ",")
			if key != "-" && (!strings.Contains(rest, "keyasint") || strings.Trim(key, "0123456789") != "") || key == "" {
				t.Errorf("%s.%s: tag %q", typ.Name(), f.Name, tag)
			}
			if other, twice := keys[key]; twice && key != "-" {
				t.Errorf("%s: key %s is that of %s and of %s", typ.Name(), key, other, f.Name)
			}
			keys[key] = f.Name
			walk(f.Type)
		}
	}
	walk(reflect.TypeFor[Event]())
	walk(reflect.TypeFor[Weight]())
	walk(reflect.TypeFor[Finding]())
	walk(reflect.TypeFor[When]())

	// A body has the same number in a replacement as in an event.
	event, replacement := reflect.TypeFor[Event](), reflect.TypeFor[Replacement]()
	for i := range replacement.NumField() {
		f := replacement.Field(i)
		if same, ok := event.FieldByName(f.Name); !ok || f.Type.Kind() == reflect.Pointer && same.Tag != f.Tag {
			t.Errorf("Replacement.%s has the tag %q, the event's %q", f.Name, f.Tag, same.Tag)
		}
	}
}
