package pages

import (
	"cmp"
	"context"
	"html/template"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/disclosure"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/readout"
)

// stoneView fills the page of a stone.
type stoneView struct {
	*pb.GetStoneResponse
	Told       *pb.GetDisclosureResponse
	Markets    []marketLink
	Verdicts   []verdictView
	Steps      []step
	Hidden     int // steps that do not go on the print sheet
	Truncated  bool
	Link       string
	QR         template.HTML
	Checkpoint string
	Printed    string // the day of the sheet
}

type marketLink struct {
	Code, Name, Href string
	Current          bool
}

// verdictView is what is known of one treatment.
type verdictView struct {
	*pb.TreatmentStatus
	// Words are the verdict's key: its own, or that of a verdict that rests on a sample.
	Words string
	// Counting are the items that the verdict rests on, Aside those that were set aside or too little, Silent those that say nothing of it.
	Counting, Aside, Silent []*pb.EvidenceItem
	More                    int
}

// mostItems bounds what a page shows of the evidence on one treatment; the record has all.
const mostItems = 24

func verdictsOf(list []*pb.TreatmentStatus) []verdictView {
	var out []verdictView
	for _, t := range list {
		v := verdictView{TreatmentStatus: t, Words: t.GetVerdict()}
		if t.GetBySample() && t.GetVerdict() == "NOT_FOUND" {
			v.Words = "NOT_FOUND_IN_SAMPLE"
		}
		for _, e := range t.GetEvidence() {
			switch {
			case e.GetStance() == "SILENT":
				v.Silent = append(v.Silent, e)
			case e.GetCounts():
				v.Counting = append(v.Counting, e)
			default:
				v.Aside = append(v.Aside, e)
			}
		}
		for _, items := range []*[]*pb.EvidenceItem{&v.Counting, &v.Aside, &v.Silent} {
			if n := len(*items); n > mostItems {
				v.More += n - mostItems
				*items = (*items)[n-mostItems:] // the latest
			}
		}
		out = append(out, v)
	}
	slices.SortStableFunc(out, func(a, b verdictView) int {
		return cmp.Compare(verdictRank(a.GetVerdict()), verdictRank(b.GetVerdict()))
	})
	return out
}

// verdictRank puts first what a buyer must know.
func verdictRank(verdict string) int {
	return slices.Index(verdictWords, verdict)
}

// step is one line of a stone's way.
type step struct {
	At    string // as posted; "": unknown
	To    string // of a gap
	Kind  string
	Party string
	Lot   string
	Text  string // in English, or of a gap why
	Gap   bool
	// Withdrawn, Corrected and Doubtful are what happened to the event afterwards.
	Withdrawn, Corrected bool
	Doubtful             string
	Late                 bool     // told of long after
	Noticed              []string // what judging said of the claims of a sale
	Print                bool     // it goes on the print sheet
	when                 time.Time
}

// Bounds of the way that a page shows.
const (
	mostSteps  = 400
	printSteps = 9
)

// stepsOf sets events and undocumented spans in the order in which things happened.
func stepsOf(events []*pb.Event, custody []*pb.CustodySpan) []step {
	var out []step
	for _, e := range events {
		kind := readout.Kind(e)
		switch kind {
		case "handleIssued", "handleRevoked", "corrected", "withdrawn":
			continue // they say how the record was kept, and mark the events that they speak of
		}
		s := step{
			At: e.GetOccurredAt(), Kind: kind, Party: e.GetParty(), Lot: e.GetLot(), Text: readout.Tells(e), Withdrawn: e.WithdrawnBy != nil,
			Corrected: e.CorrectedBy != nil, Doubtful: e.GetDoubtful(), when: instant(e.GetOccurredAt()),
		}
		for _, f := range e.GetFindings() {
			switch f.GetCode() {
			case opal.FindReportedLate:
				s.Late = true
			case opal.FindClaimContradicted, opal.FindClaimUnsupported:
				s.Noticed = append(s.Noticed, f.GetText())
			}
		}
		out = append(out, s)
	}
	for _, c := range custody {
		if !c.GetDocumented() {
			out = append(out, step{At: c.GetFrom(), To: c.GetTo(), Party: c.GetHolder(), Lot: c.GetLot(), Text: c.GetBecause(), Gap: true, when: instant(c.GetFrom())})
		}
	}
	slices.SortStableFunc(out, func(a, b step) int { return a.when.Compare(b.when) })
	return out
}

// markPrint chooses the steps of the print sheet: the beginning, all gaps and treatments as far as there is room, and the end.
func markPrint(steps []step) (hidden int) {
	room := printSteps
	take := func(i int) {
		if room > 0 && !steps[i].Print {
			steps[i].Print = true
			room--
		}
	}
	if len(steps) == 0 {
		return 0
	}
	take(0)
	for i := range steps {
		if steps[i].Gap || steps[i].Kind == "treated" || steps[i].Kind == "acquired" {
			take(i)
		}
	}
	for i := len(steps) - 1; i >= 0; i-- {
		take(i)
	}
	for i := range steps {
		if !steps[i].Print {
			hidden++
		}
	}
	return hidden
}

// instant reads a time or a bare date as posted. What is unknown comes first.
func instant(text string) time.Time {
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return t
	}
	t, _ := time.Parse(time.DateOnly, text)
	return t
}

// stone is the public page of a stone.
func (p *Pages) stone(v *visit) (*answer, error) {
	handle := v.PathValue("handle")
	s, err := p.status.GetStone(v.ctx, &pb.GetStoneRequest{Handle: handle})
	if err != nil {
		return nil, err
	}
	at := &s.Position
	market := v.URL.Query().Get("market")
	if !slices.Contains(disclosure.Markets(), market) {
		market = "INTL"
	}
	told, err := p.status.GetStoneDisclosure(v.ctx, &pb.GetStoneDisclosureRequest{Handle: handle, Market: &market, MinPosition: at})
	if err != nil {
		return nil, err
	}
	events, truncated, err := eventsOf(v.ctx, func(ctx context.Context, token *string) (*pb.GetHistoryResponse, error) {
		return p.status.GetStoneHistory(ctx, &pb.GetStoneHistoryRequest{Handle: handle, PageSize: proto.Int32(mostSteps), PageToken: token, MinPosition: at})
	})
	if err != nil {
		return nil, err
	}
	checkpoint, err := p.transparency.GetCheckpoint(v.ctx, &pb.GetCheckpointRequest{})
	if err != nil {
		return nil, err
	}
	out := &stoneView{
		GetStoneResponse: s, Told: told, Verdicts: verdictsOf(s.GetTreatments()), Steps: stepsOf(events, s.GetCustody()), Truncated: truncated,
		Link: v.address() + "/s/" + handle, Checkpoint: checkpoint.GetCheckpoint(), Printed: p.cfg.Now().UTC().Format(time.DateOnly),
	}
	out.Hidden = markPrint(out.Steps)
	if out.QR, err = qrCode(out.Link); err != nil {
		return nil, err
	}
	for _, m := range disclosure.Markets() {
		q := v.URL.Query()
		q.Set("market", m)
		out.Markets = append(out.Markets, marketLink{m, v.look.word("market", m), "?" + q.Encode() + "#told", m == market})
	}
	return &answer{template: "stone", title: v.look.text("stone.title", s.GetLot()), data: out, wasm: true}, nil
}

// eventsOf reads the pages of a history, up to a bound.
func eventsOf(ctx context.Context, ask func(context.Context, *string) (*pb.GetHistoryResponse, error)) (events []*pb.Event, truncated bool, err error) {
	var token *string
	for {
		page, err := ask(ctx, token)
		if err != nil {
			return nil, false, err
		}
		events = append(events, page.GetEvents()...)
		if page.GetNextPageToken() == "" {
			return events, false, nil
		}
		if len(events) >= mostSteps {
			return events, true, nil
		}
		token = &page.NextPageToken
	}
}
