package readout

import (
	"fmt"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/table"
)

// Posted sets what became of posted events: how many are new, where they stand, and what judging noticed.
func Posted(p *table.Page, results []*pb.AppendResponse, repeated int) {
	posted := len(results) - repeated
	var findings []*pb.Finding
	first, last := int64(-1), int64(-1)
	for _, r := range results {
		if first < 0 || r.GetPosition() < first {
			first = r.GetPosition()
		}
		last = max(last, r.GetPosition())
		findings = append(findings, r.GetFindings()...)
	}
	switch {
	case posted == 0:
		p.Line(table.Plain, fmt.Sprintf("Nothing new: %s stood in the log already.", one(repeated, "event")))
	case repeated == 0:
		p.Line(table.Good, fmt.Sprintf("Posted %s, positions %s to %s.", one(posted, "event"), count(first), count(last)))
	default:
		p.Line(table.Good, fmt.Sprintf("Posted %s; %d stood in the log already.", one(posted, "event"), repeated))
	}
	Findings(p, "What was noticed", findings)
}
