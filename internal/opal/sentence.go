package opal

import (
	"fmt"
	"strconv"
	"strings"
)

// Sentence says in one plain sentence what a finding noticed. It says no more than the finding does: what may explain a difference is
// named as a possibility, and no cause is stated. Figures that the finding does not carry (zero) are left out.
func (f Finding) Sentence() string {
	switch f.Code {
	case FindCoarseWeighing:
		return "The scale was too coarse to balance this" + f.share(": the standard uncertainty is %s of the mass") +
			"; whether mass is missing or was added cannot be told."
	case FindMoistureSizedGain:
		return "What came out weighs" + f.massAndShare(" ") + " more than what went in; opal that takes up water can explain a gain of that size."
	case FindMoistureSizedLoss:
		return "What came out weighs" + f.massAndShare(" ") + " less than what went in; opal that dries can explain a loss of that size."
	case FindUnexplainedLoss:
		if f.Micrograms == 0 {
			return "Some mass is unexplained, more than the allowances for weighing and moisture cover."
		}
		return f.massAndShare("") + " are unexplained, more than the allowances for weighing and moisture cover."
	case FindLineGain:
		return "All stones of this line together weigh" + f.massAndShare(" ") + " more than the lot they come from, beyond the one allowance for weighing and moisture."
	case FindPiecesNotCounted:
		if f.Pieces > 0 {
			return fmt.Sprintf("Not every part was counted; the uncounted ones hold at most %s.", pieces(f.Pieces))
		}
		return "Not every part was counted, so the pieces cannot be balanced."
	case FindCountChanged:
		return f.difference("The count was set anew", "than the account had") + f.because() + "."
	case FindUnusualYield:
		return "The finished stones weigh" + f.share(" %s of what went in, which is") + " unusually much for a cut from rough."
	case FindArrivalDifference:
		return f.difference("On arrival the lot was measured", "than was sent") + f.because() + "."
	case FindArrivalGain:
		return f.difference("On arrival the lot was measured", "than was sent") + f.because() + "; that is beyond the allowances for weighing and moisture, so what happened on the way counts as undocumented."
	case FindTreatmentGain:
		return "After the treatment the lot weighed" + f.massAndShare(" ") + " more than the account had; it was not weighed right before, so what the treatment itself added is not known."
	case FindReportedLate:
		s := "Reported late"
		if f.DelaySeconds > 0 {
			s = "Reported " + delay(f.DelaySeconds) + " after it happened"
		}
		return s + f.because() + "."
	case FindClaimUnsupported:
		return "What the log knew at the sale did not support the claim" + f.named() + "."
	case FindClaimContradicted:
		return "What the log knew at the sale contradicted the claim" + f.named() + "."
	}
	return f.Code + f.because() + "."
}

// massAndShare writes the mass without its sign, and the share in brackets: "12.40 ct (3.1 %)", after before; nothing if there
// is no mass.
func (f Finding) massAndShare(before string) string {
	if f.Micrograms == 0 {
		return ""
	}
	s := before + FormatCarats(magnitude(f.Micrograms))
	if f.PartsPerMillion != 0 {
		s += " (" + percent(magnitude(f.PartsPerMillion)) + ")"
	}
	return s
}

// share puts the share into the format; nothing if there is none.
func (f Finding) share(format string) string {
	if f.PartsPerMillion == 0 {
		return ""
	}
	return fmt.Sprintf(format, percent(magnitude(f.PartsPerMillion)))
}

// difference says by how much pieces and mass differ, each with its own direction.
func (f Finding) difference(start, than string) string {
	var parts []string
	if f.Pieces != 0 {
		parts = append(parts, pieces(magnitude(f.Pieces))+direction(f.Pieces, " more", " fewer"))
	}
	if f.Micrograms != 0 {
		parts = append(parts, f.massAndShare("")+direction(f.Micrograms, " more", " less"))
	}
	if len(parts) == 0 {
		return start + " otherwise " + than
	}
	return start + ": " + strings.Join(parts, " and ") + " " + than
}

func (f Finding) because() string {
	if f.Note == "" {
		return ""
	}
	return ": " + f.Note
}

func (f Finding) named() string {
	if f.Note == "" {
		return ""
	}
	return " " + f.Note
}

func magnitude(n int64) int64 {
	if n < 0 {
		return -n
	}
	return n
}

func direction(n int64, more, less string) string {
	if n < 0 {
		return less
	}
	return more
}

func pieces(n int64) string {
	if n == 1 {
		return "1 piece"
	}
	return group(n) + " pieces"
}

// percent writes parts per million in percent: with one decimal, or below 1 % with as many as show its first two digits.
func percent(ppm int64) string {
	unit := int64(1_000) // 0.1 %
	decimals := 1
	for limit := int64(10_000); decimals < 4 && ppm < limit; limit /= 10 {
		unit /= 10
		decimals++
	}
	n := (ppm + unit/2) / unit
	s := strconv.FormatInt(n, 10)
	if pad := decimals + 1 - len(s); pad > 0 {
		s = strings.Repeat("0", pad) + s
	}
	return s[:len(s)-decimals] + "." + s[len(s)-decimals:] + " %"
}

// delay writes a time span in the largest unit of which it holds two, else the next smaller one, rounded down.
func delay(seconds int64) string {
	for _, u := range [...]struct {
		name    string
		seconds int64
	}{{"days", 86_400}, {"hours", 3_600}, {"minutes", 60}} {
		if n := seconds / u.seconds; n >= 2 {
			return group(n) + " " + u.name
		}
	}
	if seconds == 1 {
		return "1 second"
	}
	return group(seconds) + " seconds"
}
