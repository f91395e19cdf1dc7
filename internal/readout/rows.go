package readout

import (
	"fmt"
	"strings"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// Rows sets events as the rows of a sheet, its head first. No cell begins like a formula.
func Rows(events []*pb.Event) [][]string {
	rows := [][]string{{"position", "event", "recordedAt", "occurredAt", "lot", "party", "kind", "what", "findings", "withdrawnBy", "correctedBy", "doubtful"}}
	for _, e := range events {
		var found []string
		for _, f := range e.GetFindings() {
			found = append(found, f.GetCode())
		}
		rows = append(rows, []string{
			fmt.Sprint(e.GetPosition()), Cell(e.GetEvent()), e.GetRecordedAt(), e.GetOccurredAt(), Cell(e.GetLot()), Cell(e.GetParty()), Kind(e),
			Cell(strings.ReplaceAll(Tells(e), "\u00a0", " ")), strings.Join(found, " "), e.GetWithdrawnBy(), e.GetCorrectedBy(), Cell(e.GetDoubtful()),
		})
	}
	return rows
}

// Cell keeps a text from being taken for a formula by a spreadsheet (OWASP, CSV Injection).
func Cell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
