package opal

import (
	"strings"
	"testing"
	"unicode"
)

func TestSentence(t *testing.T) {
	cases := []struct {
		f    Finding
		want string
	}{
		{Finding{Code: FindCoarseWeighing, PartsPerMillion: 8_250},
			"The scale was too coarse to balance this: the standard uncertainty is 0.83 % of the mass; whether mass is missing or was added cannot be told."},
		{Finding{Code: FindCoarseWeighing},
			"The scale was too coarse to balance this; whether mass is missing or was added cannot be told."},
		{Finding{Code: FindMoistureSizedGain, Micrograms: 2_480_000, PartsPerMillion: 31_000},
			"What came out weighs 12.40 ct (3.1 %) more than what went in; opal that takes up water can explain a gain of that size."},
		{Finding{Code: FindMoistureSizedLoss, Micrograms: -2_480_000, PartsPerMillion: 31_000},
			"What came out weighs 12.40 ct (3.1 %) less than what went in; opal that dries can explain a loss of that size."},
		{Finding{Code: FindMoistureSizedLoss},
			"What came out weighs less than what went in; opal that dries can explain a loss of that size."},
		{Finding{Code: FindUnexplainedLoss, Micrograms: -2_480_000, PartsPerMillion: -31_000},
			"12.40 ct (3.1 %) are unexplained, more than the allowances for weighing and moisture cover."},
		{Finding{Code: FindUnexplainedLoss, Micrograms: -2_480_000},
			"12.40 ct are unexplained, more than the allowances for weighing and moisture cover."},
		{Finding{Code: FindUnexplainedLoss},
			"Some mass is unexplained, more than the allowances for weighing and moisture cover."},
		{Finding{Code: FindLineGain, Micrograms: 20_000_000, PartsPerMillion: 251_000},
			"All stones of this line together weigh 100.00 ct (25.1 %) more than the lot they come from, beyond the one allowance for weighing and moisture."},
		{Finding{Code: FindPiecesNotCounted, Pieces: 12},
			"Not every part was counted; the uncounted ones hold at most 12 pieces."},
		{Finding{Code: FindPiecesNotCounted},
			"Not every part was counted, so the pieces cannot be balanced."},
		{Finding{Code: FindCountChanged, Pieces: -2, Micrograms: -680_000, PartsPerMillion: 4_100, Note: "RECOUNT"},
			"The count was set anew: 2 pieces fewer and 3.40 ct (0.41 %) less than the account had: RECOUNT."},
		{Finding{Code: FindCountChanged, Pieces: 1, Note: "FOUND"},
			"The count was set anew: 1 piece more than the account had: FOUND."},
		{Finding{Code: FindCountChanged},
			"The count was set anew otherwise than the account had."},
		{Finding{Code: FindUnusualYield, PartsPerMillion: 720_000},
			"The finished stones weigh 72.0 % of what went in, which is unusually much for a cut from rough."},
		{Finding{Code: FindUnusualYield},
			"The finished stones weigh unusually much for a cut from rough."},
		{Finding{Code: FindArrivalDifference, Pieces: -1, Micrograms: 20_000},
			"On arrival the lot was measured: 1 piece fewer and 0.10 ct more than was sent."},
		{Finding{Code: FindArrivalGain, Pieces: 3, Micrograms: 2_000_000, PartsPerMillion: 100_000},
			"On arrival the lot was measured: 3 pieces more and 10.00 ct (10.0 %) more than was sent; that is beyond the allowances for weighing and moisture, so what happened on the way counts as undocumented."},
		{Finding{Code: FindTreatmentGain, Micrograms: 1_800_000, PartsPerMillion: 90_000},
			"After the treatment the lot weighed 9.00 ct (9.0 %) more than the account had; it was not weighed right before, so what the treatment itself added is not known."},
		{Finding{Code: FindReportedLate, DelaySeconds: 47 * 86_400, Note: "declared by blue-lamp (held it from 2026-01-02 to 2026-02-03)"},
			"Reported 47 days after it happened: declared by blue-lamp (held it from 2026-01-02 to 2026-02-03)."},
		{Finding{Code: FindReportedLate, DelaySeconds: 40 * 3_600}, "Reported 40 hours after it happened."},
		{Finding{Code: FindReportedLate, DelaySeconds: 90 * 60}, "Reported 90 minutes after it happened."},
		{Finding{Code: FindReportedLate, DelaySeconds: 100}, "Reported 100 seconds after it happened."},
		{Finding{Code: FindReportedLate, DelaySeconds: 1}, "Reported 1 second after it happened."},
		{Finding{Code: FindReportedLate}, "Reported late."},
		{Finding{Code: FindClaimUnsupported, Note: "NO_DYE"}, "What the log knew at the sale did not support the claim NO_DYE."},
		{Finding{Code: FindClaimContradicted, Note: "UNTREATED"}, "What the log knew at the sale contradicted the claim UNTREATED."},
		{Finding{Code: FindClaimContradicted}, "What the log knew at the sale contradicted the claim."},
	}
	covered := map[string]bool{}
	for _, c := range cases {
		covered[c.f.Code] = true
		if got := c.f.Sentence(); got != c.want {
			t.Errorf("%+v:\n%s\nwant:\n%s", c.f, got, c.want)
		}
	}
	for _, code := range AllFindings() {
		if !covered[code] {
			t.Errorf("%s has no case", code)
		}
		// No code may fall through to the words for unknown ones, and each is one sentence.
		s := Finding{Code: code}.Sentence()
		if strings.Contains(s, code) || !strings.HasSuffix(s, ".") || strings.Count(s, ".") != 1 || !unicode.IsUpper(rune(s[0])) || strings.Contains(s, "  ") {
			t.Errorf("%s: %q", code, s)
		}
	}
	if s := (Finding{Code: "NEW_CODE", Note: "x"}).Sentence(); s != "NEW_CODE: x." {
		t.Errorf("a code of a later version: %q", s)
	}
}

func TestPercent(t *testing.T) {
	for ppm, want := range map[int64]string{
		1: "0.0001 %", 25: "0.0025 %", 100: "0.010 %", 999: "0.100 %", 1_000: "0.10 %", 8_250: "0.83 %", 8_240: "0.82 %", 9_999: "1.00 %",
		10_000: "1.0 %", 31_449: "3.1 %", 31_450: "3.1 %", 31_500: "3.2 %", 1_000_000: "100.0 %", 12_345_678: "1234.6 %",
	} {
		if got := percent(ppm); got != want {
			t.Errorf("percent(%d) = %q, want %q", ppm, got, want)
		}
	}
}

func TestGroup(t *testing.T) {
	for n, want := range map[int64]string{0: "0", 7: "7", 999: "999", 1_000: "1,000", -1_000: "-1,000", 1_234_567: "1,234,567",
		-9_223_372_036_854_775_808: "-9,223,372,036,854,775,808"} {
		if got := group(n); got != want {
			t.Errorf("group(%d) = %q, want %q", n, got, want)
		}
	}
}
