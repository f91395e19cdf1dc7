package opal

import (
	"slices"
	"testing"

	"golang.org/x/text/language"
)

// The codes against another compilation of ISO 3166-1: the region table of golang.org/x/text, which is made from Unicode's CLDR.
func TestCountriesAgainstCLDR(t *testing.T) {
	list := AllCountries()
	if len(list) != 249 { // ISO 3166 Maintenance Agency: 249 officially assigned codes
		t.Errorf("%d codes, want 249", len(list))
	}
	if !slices.IsSorted(list) || len(slices.Compact(slices.Clone(list))) != len(list) {
		t.Error("the codes are not sorted, or one stands there twice")
	}

	// Regions of CLDR that are no officially assigned code of ISO 3166-1: reserved or user-assigned, and formerly used (ISO 3166-3).
	notAssigned := []string{"AC", "CP", "CQ", "DG", "EA", "EZ", "IC", "TA", "UN", "XK",
		"AN", "CS", "FQ", "NT", "PC", "SU", "YU"}
	var others []string
	for a := 'A'; a <= 'Z'; a++ {
		for b := 'A'; b <= 'Z'; b++ {
			code := string([]rune{a, b})
			r, err := language.ParseRegion(code)
			country := err == nil && r.IsCountry() && r.Canonicalize().String() == code
			switch {
			case IsCountry(code) && !country:
				t.Errorf("%s is no country in CLDR", code)
			case country && !IsCountry(code):
				others = append(others, code)
			}
			if IsCountry(code) != slices.Contains(list, code) {
				t.Errorf("IsCountry(%q) = %v, the list says otherwise", code, IsCountry(code))
			}
		}
	}
	for _, code := range others {
		if !slices.Contains(notAssigned, code) {
			t.Errorf("CLDR has the country %s, which is missing", code)
		}
	}
	for _, s := range []string{"", "E", "ET ", "et", "ETH", "D A", " A", "A ", "ZZ", "UK", "EU"} {
		if IsCountry(s) {
			t.Errorf("IsCountry(%q)", s)
		}
	}
}
