package bus

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestSubmissionTravels(t *testing.T) {
	c := NewCodec()
	want := &Submission{Envelopes: []SubmittedEnvelope{
		{Envelope: []byte{1, 2}, Statements: [][]byte{{3}, {4, 5}, {6}}, Groups: []int{1, 2}},
		{Envelope: []byte{7}, Statements: [][]byte{{8}}, Groups: []int{1}},
	}}
	b, err := c.EncodeSubmission(want)
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.DecodeSubmission(b)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestSubmissionsThatAreRefused(t *testing.T) {
	c := NewCodec()
	one := func(groups ...int) *Submission {
		return &Submission{Envelopes: []SubmittedEnvelope{{Envelope: []byte{1}, Statements: [][]byte{{1}, {2}}, Groups: groups}}}
	}
	tests := map[string]struct {
		s     *Submission
		field string
	}{
		"nothing":            {&Submission{}, "envelopes"},
		"no statements":      {&Submission{Envelopes: []SubmittedEnvelope{{Envelope: []byte{1}}}}, "envelopes[0]"},
		"too few in groups":  {one(1), "envelopes[0].groups"},
		"too many in groups": {one(2, 1), "envelopes[0].groups"},
		"an empty group":     {one(0, 2), "envelopes[0].groups"},
		"a negative group":   {one(-1, 2, 1), "envelopes[0].groups"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			b, err := c.EncodeSubmission(test.s)
			if err != nil {
				t.Fatal(err)
			}
			_, err = c.DecodeSubmission(b)
			f, ok := fault.As(err)
			if !ok || f.Reason != fault.InvalidField || f.Field != test.field {
				t.Errorf("found %v", err)
			}
		})
	}
	large := &Submission{Envelopes: []SubmittedEnvelope{{Envelope: make([]byte, MaxMessage), Statements: [][]byte{{1}}, Groups: []int{1}}}}
	if _, err := c.EncodeSubmission(large); fault.Of(err) != fault.TooLarge {
		t.Errorf("too large: found %v", err)
	}
}

func TestFaultsTravel(t *testing.T) {
	c := NewCodec()
	for _, want := range []*fault.Error{
		fault.New(fault.MassGain, "split.children[2].mass", "found %s", "3.42 ct"),
		fault.New(fault.NoSequencer, "", "busy").Retry(1500 * time.Millisecond),
		fault.InBody(fault.New(fault.UnknownParty, "sold.to", "no such party")),
	} {
		b, err := c.EncodeAnswer(&Answer{Results: []GroupResult{
			{Refusal: Refuse(want, 3)},
			{Events: []EventResult{{Position: 7, Duplicate: true, Findings: []opal.Finding{{Code: opal.FindLineGain, Micrograms: -4}}}}},
		}})
		if err != nil {
			t.Fatal(err)
		}
		a, err := c.DecodeAnswer(b)
		if err != nil {
			t.Fatal(err)
		}
		if got := a.Results[0].Refusal; got.Event != 3 || !errors.Is(got.Fault(), want) {
			t.Errorf("found %+v", got)
		} else if d := cmp.Diff(want, got.Fault()); d != "" {
			t.Error(d)
		}
		if got := a.Results[1].Events[0]; got.Position != 7 || !got.Duplicate || got.Findings[0].Micrograms != -4 {
			t.Errorf("found %+v", got)
		}
	}
	n, err := c.EncodeNotice(Notice{Epoch: [16]byte{9}, Next: 1 << 40})
	if err != nil {
		t.Fatal(err)
	}
	if got, err := c.DecodeNotice(n); err != nil || got.Next != 1<<40 || got.Epoch != [16]byte{9} {
		t.Errorf("found %+v, %v", got, err)
	}
}

func FuzzDecodeSubmission(f *testing.F) {
	c := NewCodec()
	b, err := c.EncodeSubmission(&Submission{Envelopes: []SubmittedEnvelope{{Envelope: []byte{1}, Statements: [][]byte{{1}, {2}}, Groups: []int{2}}}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(strings.Repeat("\x81", 100)))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := c.DecodeSubmission(data)
		if err != nil {
			return
		}
		again, err := c.EncodeSubmission(s)
		if err != nil || !bytes.Equal(again, data) {
			t.Fatalf("read %x, written again %x, error %v", data, again, err)
		}
	})
}
