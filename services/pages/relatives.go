package pages

import (
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// relativesOf sets a lot's line: what it came from, and what was made of it.
func relativesOf(c *catalog, lot string, l *pb.GetLineageResponse) relatives {
	out := relatives{Lots: len(l.GetLots()), Truncated: l.GetTruncated()}
	return out
}
