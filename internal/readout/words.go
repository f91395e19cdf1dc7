package readout

import (
	"fmt"
	"strings"

	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/table"
)

// spoken turns a word of the vocabulary into one of speech: SEMI_OPAQUE is "semi opaque".
func spoken(word string) string {
	switch word {
	case "UV_SHORT_WAVE":
		return "UV short wave"
	case "UV_LONG_WAVE":
		return "UV long wave"
	case "DEEP_UV_IMAGING":
		return "deep UV imaging"
	case "UV_VIS":
		return "UV-visible spectrum"
	case "XRF":
		return "XRF"
	case "SUGAR_ACID":
		return "sugar and acid"
	case "OIL_WAX":
		return "oil or wax"
	case "SYNTHETIC_OR_IMITATION":
		return "synthetic or imitation"
	case "RETURN":
		return "return"
	}
	return strings.ToLower(strings.ReplaceAll(word, "_", " "))
}

// capital starts a sentence.
func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// verdict says a verdict in words, with the tone that fits.
func verdict(word string) (string, table.Tone) {
	switch word {
	case "DECLARED":
		return "declared treated", table.Bad
	case "FOUND":
		return "found by test", table.Bad
	case "CONFLICTING":
		return "tests contradict each other", table.Bad
	case "SUSPECTED":
		return "suspected", table.Warn
	case "OPEN":
		return "open: too little to tell", table.Warn
	case "NOT_TESTED":
		return "not tested", table.Plain
	case "NOT_FOUND":
		return "tested, not found", table.Good
	case "UNDETERMINABLE":
		return "no test can tell", table.Quiet
	case "NOT_APPLICABLE":
		return "not applicable", table.Quiet
	}
	return spoken(word), table.Plain
}

// claimVerdict says how a claim stands.
func claimVerdict(word string) (string, table.Tone) {
	switch word {
	case "SUPPORTED":
		return "supported", table.Good
	case "UNSUPPORTED":
		return "not supported", table.Warn
	case "CONTRADICTED":
		return "contradicted", table.Bad
	}
	return spoken(word), table.Plain
}

// strength says what a verdict rests on.
func strength(word string) string {
	switch word {
	case "BY_RECORD":
		return "by the record"
	case "BY_SIGN":
		return "by a diagnostic sign"
	}
	return spoken(word)
}

// findingTone says how a finding should stand out.
func findingTone(code string) table.Tone {
	switch code {
	case opal.FindClaimContradicted, opal.FindUnexplainedLoss, opal.FindLineGain, opal.FindArrivalGain:
		return table.Bad
	case opal.FindClaimUnsupported, opal.FindArrivalDifference, opal.FindReportedLate, opal.FindCountChanged, opal.FindUnusualYield,
		opal.FindTreatmentGain:
		return table.Warn
	}
	return table.Plain
}

// count writes a number of pieces, with commas between thousands.
func count[N int | int32 | int64](n N) string {
	s := fmt.Sprint(n)
	sign := ""
	if n < 0 {
		sign, s = "-", s[1:]
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return sign + s
}

// mayCount writes a number that may be unknown.
func mayCount(n *int32) string {
	if n == nil {
		return ""
	}
	return count(*n)
}

// piecesOf writes "12 pieces".
func piecesOf(n int32) string {
	if n == 1 {
		return "1 piece"
	}
	return count(n) + " pieces"
}

// when shortens a time to the minute, and keeps a bare date.
func when(s string) string {
	if len(s) < len("2006-01-02T15:04:05Z") || s[10] != 'T' {
		return s
	}
	zone := s[len("2006-01-02T15:04:05"):]
	if i := strings.IndexAny(zone, "Z+-"); i >= 0 {
		zone = zone[i:]
	}
	if zone == "Z" {
		return s[:10] + " " + s[11:16]
	}
	return s[:10] + " " + s[11:16] + " " + zone
}

// phrase joins what is not empty with commas.
func phrase(parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, ", ")
}
