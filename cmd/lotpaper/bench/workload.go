package bench

import (
	"encoding/binary"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// storyLength is how many events a story has.
const storyLength = 16

// story is what happens to one parcel: rough is mined, looked at, split, tested piece by piece and partly cut, in 16 events about 7 lots
// before the cut and 4 after it. The masses balance, so that nothing of it is refused; the parties are invented.
func story(party string, n int) []*opal.Event {
	lot := func(code string) string { return fmt.Sprintf("%s.s%d%s", party, n, code) }
	pieces := func(k int64) *int64 { return &k }
	k := 0
	event := func(lot, day string) *opal.Event {
		e := &opal.Event{Lot: lot, Party: party, OccurredAt: day, Moisture: opal.Room}
		binary.BigEndian.PutUint64(e.RequestID[:8], uint64(n)+1)
		binary.BigEndian.PutUint32(e.RequestID[8:12], hash(party))
		binary.BigEndian.PutUint32(e.RequestID[12:], uint32(k)+1)
		k++
		return e
	}
	var all []*opal.Event
	add := func(e *opal.Event) { all = append(all, e) }

	e := event(lot("-r"), "2025-03-01")
	e.Mined = &opal.Mined{Origin: opal.Origin{Country: "ET"}, Material: opal.Material{Kind: opal.Hydrophane, Look: opal.Translucent}, Form: opal.Rough, Pieces: pieces(3), Mass: "24.00 g"}
	add(e)
	e = event(lot("-r"), "2025-03-02")
	e.Described = &opal.Described{BodyColour: "honey", Transparency: opal.Translucent, PlayOfColour: "broad, green and red"}
	add(e)
	e = event(lot("-r"), "2025-03-03")
	e.Tested = &opal.Tested{Method: opal.Microscope, Sample: opal.Sample{Kind: opal.Whole}, Outcome: opal.NothingSeen, LookedFor: []opal.Treatment{opal.Dye, opal.Smoke}, Instrument: "stereo, 10x to 40x"}
	add(e)
	e = event(lot("-r"), "2025-03-04")
	e.Split = &opal.Split{Manner: opal.Unsorted}
	children := []string{lot("-a"), lot("-b"), lot("-c")}
	for i, c := range children {
		e.Split.Children = append(e.Split.Children, opal.Part{Lot: c, Pieces: pieces(1), Mass: []opal.Mass{"10.00 g", "8.00 g", "6.00 g"}[i]})
	}
	add(e)
	for _, c := range children {
		e = event(c, "2025-03-05")
		e.Tested = &opal.Tested{Method: opal.WaterDrop, Sample: opal.Sample{Kind: opal.Whole}, Outcome: "SOAKED_IN", Conditions: map[string]string{"water": "deionised"}}
		add(e)
		e = event(c, "2025-03-06")
		e.Described = &opal.Described{BodyTone: 7, BodyColour: "honey", PlayOfColour: "rolling flash"}
		add(e)
	}
	e = event(children[0], "2025-03-08")
	e.Cut = &opal.Cut{Loss: nil, Manner: opal.RoughCut}
	stones := []string{lot("-a1"), lot("-a2"), lot("-a3")}
	for i, s := range stones {
		e.Cut.Stones = append(e.Cut.Stones, opal.Stone{Lot: s, Pieces: pieces(1), Mass: []opal.Mass{"4.12 ct", "3.80 ct", "2.05 ct"}[i], Form: opal.Cabochon, Shape: "oval", DimensionsMm: []float64{14.1, 10.2, 5}})
	}
	e.Cut.Offcuts = []opal.Part{{Lot: lot("-ax"), Mass: "3.10 g"}}
	add(e)
	for _, s := range stones {
		e = event(s, "2025-03-09")
		e.Tested = &opal.Tested{Method: opal.Infrared, Sample: opal.Sample{Kind: opal.Whole}, Outcome: "AS_UNTREATED", Conditions: map[string]string{"cleaned": "yes", "mode": "transmission"}, Protocol: "ir-2"}
		add(e)
	}
	e = event(children[1], "2025-03-10")
	e.Treated = &opal.Treated{Treatment: opal.OilWax, Medium: "paraffin", Extent: opal.Full, MassBefore: "8.00 g", MassAfter: "8.10 g"}
	add(e)
	e = event(children[2], "2025-03-11")
	e.NothingDone = &opal.NothingDone{From: "2025-03-04", To: "2025-03-10"}
	add(e)
	return all
}

// storyLots are the lots of a story, as far as a status is asked of them: the deepest first.
func storyLots(party string, n int) []string {
	var out []string
	for _, code := range []string{"-a1", "-a2", "-a3", "-a", "-b", "-c", "-r"} {
		out = append(out, fmt.Sprintf("%s.s%d%s", party, n, code))
	}
	return out
}

// hash is FNV-1a, so that two parties' stories have other ids.
func hash(s string) uint32 {
	h := uint32(2166136261)
	for _, b := range []byte(s) {
		h = (h ^ uint32(b)) * 16777619
	}
	return h
}
