package evidence

import (
	"fmt"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// longLine is a stone with 12 ancestors and 40 tests and declarations, sold three times; its samples are drawn blindly, and the laboratory counted
// known stones.
func longLine(t testing.TB) (*world, string) {
	w := newWorld(t)
	lot := "mine.r0"
	w.post("mine", lot, "2026-01-01", mined(400))
	methods := []*opal.Tested{
		tested(opal.UVLongWave, "WEAK"), tested(opal.Microscope, "NOTHING_SEEN", opal.Dye, opal.Smoke), tested(opal.Infrared, "AS_UNTREATED", opal.Resin),
		sampled(opal.Raman, "ONLY_OPAL_BANDS", 20, 400, 0, opal.Dye),
	}
	for _, m := range methods {
		m.Protocol = "P-1"
	}
	methods[3].Sample.Selection, methods[3].Sample.SelectedBy = opal.Riffled, "draw-hand"
	items := 0
	for depth := range 12 {
		day := func(n int) string { return fmt.Sprintf("2026-%02d-%02d", depth/2+1, depth%2*14+n) }
		for i := 0; i < 3 && items < 38; i++ {
			w.post("lab", lot, day(3+i), methods[(depth+i)%len(methods)])
			items++
		}
		if depth%4 == 3 {
			w.post("mine", lot, day(7), &opal.Sold{To: "dealer", Claims: []opal.Claim{{Claim: opal.ClaimUntreated}}})
			w.post("dealer", lot, day(8), &opal.Received{})
		}
		child := fmt.Sprintf("mine.r%d", depth+1)
		n := int64(400 - 36*(depth+1))
		if depth == 11 {
			n = 1
		}
		w.post("mine", lot, day(12), split(opal.Sorted, parts(child, int(n), child+"x", 5)))
		lot = child
	}
	w.post("mine", lot, "2026-08-01", tested(opal.WaterUptake, "STRONG"))
	w.post("mine", lot, "2026-08-02", tested(opal.SideView, "NO_JOIN"))
	w.post("mine", lot, "2026-08-03", treated(opal.Smoke))
	w.post("mine", lot, "2026-08-03", &opal.NothingDone{From: "2026-07-01", To: "2026-08-01"})
	return w, lot
}

// longLineCounts are what stands behind some of its tests.
func longLineCounts() []Validation {
	return []Validation{
		validation("lab/v1", opal.NothingSeen, opal.Dye, 3, 40, 58, 60), validation("lab/v2", opal.NothingSeen, opal.Smoke, 1, 30, 30, 30),
		validation("lab/v3", "AS_UNTREATED", opal.Resin, 0, 40, 60, 60), validation("lab/v4", "ONLY_OPAL_BANDS", opal.Dye, 2, 40, 59, 60),
	}
}

func BenchmarkStatus(b *testing.B) {
	for _, sales := range []bool{false, true} {
		b.Run(fmt.Sprintf("sales=%v", sales), func(b *testing.B) {
			w, lot := longLine(b)
			q := w.query(lot)
			q.WithoutSales, q.Validated, q.Ratios = !sales, validated(longLineCounts()...), &Ratios{}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Evaluate(q); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
