package opal

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
)

var (
	partyForm = regexp.MustCompile(`^[a-z][a-z0-9-]{1,31}$`)
	lotForm   = regexp.MustCompile(`^[a-z][a-z0-9-]{1,31}\.[a-z0-9][a-z0-9-]{0,47}$`)
)

func TestCheckParty(t *testing.T) {
	for s, ok := range map[string]bool{
		"harrow-gully": true, "ab": true, "a1": true, "a-": true, strings.Repeat("a", 32): true,
		"": false, "a": false, "1a": false, "-a": false, "Ab": false, "a.b": false, "a b": false, "a_b": false, "äb": false, "ab\n": false,
		strings.Repeat("a", 33): false, "outside": false, "admin": false, "administrator": true,
	} {
		err := CheckParty(s)
		if (err == nil) != ok {
			t.Errorf("CheckParty(%q) = %v, want accepted = %v", s, err, ok)
		}
		if err != nil && !strings.Contains(err.Error(), "accepted") {
			t.Errorf("CheckParty(%q) does not say what is accepted: %v", s, err)
		}
	}
}

func TestCheckLot(t *testing.T) {
	for s, ok := range map[string]bool{
		"harrow-gully.r7": true, "ab.1": true, "ab.a-": true, "ab." + strings.Repeat("x", 48): true,
		"": false, "ab": false, "ab.": false, ".r7": false, "a.r7": false, "ab.-r": false, "ab.R7": false, "ab.r.7": false, "ab/r7": false,
		"ab." + strings.Repeat("x", 49): false, "outside.r7": false, "admin.r7": false, "ab.r 7": false, "ab.r7\n": false,
	} {
		err := CheckLot(s)
		if (err == nil) != ok {
			t.Errorf("CheckLot(%q) = %v, want accepted = %v", s, err, ok)
		}
		if err != nil && !strings.Contains(err.Error(), "accepted") {
			t.Errorf("CheckLot(%q) does not say what is accepted: %v", s, err)
		}
	}
	if p := PartyOfLot("harrow-gully.r7"); p != "harrow-gully" {
		t.Errorf("PartyOfLot = %q", p)
	}
	if p := PartyOfLot("harrow-gully"); p != "" {
		t.Errorf("PartyOfLot without a point = %q", p)
	}
}

func FuzzCheckLot(f *testing.F) {
	for _, s := range []string{"harrow-gully.r7", "outside.r7", "a.b", "ab.-", "ab.c.d", "ab.c\n", "admin.x", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		party := PartyOfLot(s)
		want := lotForm.MatchString(s) && party != Outside && party != Admin
		if err := CheckLot(s); (err == nil) != want {
			t.Fatalf("CheckLot(%q) = %v, the regular expression says %v", s, err, want)
		}
		wantParty := partyForm.MatchString(s) && s != Outside && s != Admin
		if err := CheckParty(s); (err == nil) != wantParty {
			t.Fatalf("CheckParty(%q) = %v, the regular expression says %v", s, err, wantParty)
		}
		if want && CheckParty(party) != nil {
			t.Fatalf("lot %q is accepted, its party %q is not", s, party)
		}
	})
}

func TestRequestID(t *testing.T) {
	// RFC 9562, appendix A.3 (version 4) and A.6 (version 7, printed in capitals).
	for in, want := range map[string]string{
		"919108f7-52d1-4320-9bac-f847db4148a8": "919108f7-52d1-4320-9bac-f847db4148a8",
		"017F22E2-79B0-7CC3-98C4-DC0C0C07398F": "017f22e2-79b0-7cc3-98c4-dc0c0c07398f",
	} {
		id, err := ParseRequestID(in)
		if err != nil || id.String() != want || id.IsZero() {
			t.Errorf("ParseRequestID(%q) = %v, %v; want %s", in, id, err, want)
		}
	}
	for _, s := range []string{"", "919108f752d143209bacf847db4148a8", "{919108f7-52d1-4320-9bac-f847db4148a8}", "919108f7-52d1-4320-9bac-f847db4148ag",
		"919108f7-52d1-4320-9bac-f847db41-8a8", "919108f7-52d1-4320-9bac-f847db4148a8a", "-19108f7-52d1-4320-9bac-f847db4148a8"} {
		if id, err := ParseRequestID(s); err == nil || !id.IsZero() {
			t.Errorf("ParseRequestID(%q) = %v, %v", s, id, err)
		}
	}
}

func TestSplitEventID(t *testing.T) {
	const uuid = "919108f7-52d1-4320-9bac-f847db4148a8"
	for _, party := range []string{"harrow-gully", "admin"} {
		p, id, err := SplitEventID(party + "/" + uuid)
		e := Event{Party: p, RequestID: id}
		if err != nil || p != party || e.ID() != party+"/"+uuid {
			t.Errorf("SplitEventID(%s/%s) = %q, %v, %v", party, uuid, p, id, err)
		}
	}
	for _, s := range []string{"", uuid, "/" + uuid, "harrow-gully/", "outside/" + uuid, "harrow-gully/" + strings.ToUpper(uuid), "harrow-gully//" + uuid,
		"harrow-gully/" + uuid + "/x", "harrow-gully.r7/" + uuid} {
		p, id, err := SplitEventID(s)
		if err == nil || p != "" || !id.IsZero() || !strings.Contains(err.Error(), "accepted") {
			t.Errorf("SplitEventID(%q) = %q, %v, %v", s, p, id, err)
		}
	}
}

func TestHandle(t *testing.T) {
	// RFC 4648, section 10: BASE32("fooba") = "MZXW6YTB", BASE32("f") = "MY======".
	var bits [16]byte
	copy(bits[:], "foobafoobafoobaf")
	if h := Handle(bits); h != "mzxw6ytbmzxw6ytbmzxw6ytbmy" {
		t.Errorf("Handle = %q", h)
	}
	for i := range 256 {
		bits[15] = byte(i)
		if err := CheckHandle(Handle(bits)); err != nil {
			t.Fatal(err)
		}
	}
	for _, s := range []string{"", "mzxw6ytbmzxw6ytbmzxw6ytbm", "mzxw6ytbmzxw6ytbmzxw6ytbmyy", "MZXW6YTBMZXW6YTBMZXW6YTBMY",
		"mzxw6ytbmzxw6ytbmzxw6ytbm1", "mzxw6ytbmzxw6ytbmzxw6ytbmz" /* the last character has spare bits set */} {
		if err := CheckHandle(s); err == nil || !strings.Contains(err.Error(), "accepted") {
			t.Errorf("CheckHandle(%q) = %v", s, err)
		}
	}
}

func TestCheckLogName(t *testing.T) {
	for s, ok := range map[string]bool{
		"lotpaper.example/opal": true, "demo": true,
		"": false, "a b": false, "a+b": false, "a\nb": false, "ä": false, strings.Repeat("x", 128): true, strings.Repeat("x", 129): false,
	} {
		if err := CheckLogName(s); (err == nil) != ok {
			t.Errorf("CheckLogName(%q) = %v, want accepted = %v", s, err, ok)
		}
	}
}

func ExampleCheckLot() {
	fmt.Println(CheckLot("harrow-gully.r7"))
	fmt.Println(CheckLot("outside.r7"))
	// Output:
	// <nil>
	// found "outside.r7", whose first part is a reserved word; accepted is a lot id <party>.<code>
}
