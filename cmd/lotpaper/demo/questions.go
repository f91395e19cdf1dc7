package demo

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Asker is what the questions need of a service.
type Asker interface {
	GetLot(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error)
	GetStatus(context.Context, *pb.GetStatusRequest) (*pb.GetStatusResponse, error)
	CheckClaims(context.Context, *pb.CheckClaimsRequest) (*pb.CheckClaimsResponse, error)
}

// Asks is the party that asks: a shop.
const Asks = "corner-lantern"

// Question is one that a shop may have, with what the service answers.
type Question struct {
	Title string
	// Calls are what to send to find out.
	Calls []Call
	// Answer is the short of what the service answered just now.
	Answer []string
}

// Call is one request: a GET, or with a body a POST.
type Call struct{ Path, Body string }

// saleOfK2 is the sale that the first question is about.
const saleOfK2 = "wet-wheel/5f0e9b1a-63c4-4d2b-b8d7-91a3e7f4c620"

// Ask puts the five questions to a service that has loaded the scenario.
func Ask(ctx context.Context, a Asker, loaded *Loaded) ([]Question, error) {
	var list []Question
	for _, ask := range []func(context.Context, Asker, *Loaded) (Question, error){dyed, smoked, untouched, gap, missing} {
		q, err := ask(ctx, a, loaded)
		if err != nil {
			return nil, fmt.Errorf("ask %q: %w", q.Title, err)
		}
		list = append(list, q)
	}
	return list, nil
}

func dyed(ctx context.Context, a Asker, loaded *Loaded) (Question, error) {
	at := loaded.Positions[saleOfK2]
	q := Question{
		Title: "Was wet-wheel.k2 dyed, and could the cutter know it when it sold the stone?",
		Calls: []Call{{Path: "/v1/lots/wet-wheel.k2/status"}, {Path: fmt.Sprintf("/v1/lots/wet-wheel.k2/status?knownAt=%d", at)}},
	}
	now, err := a.GetStatus(ctx, &pb.GetStatusRequest{Lot: "wet-wheel.k2"})
	if err != nil {
		return q, err
	}
	then, err := a.GetStatus(ctx, &pb.GetStatusRequest{Lot: "wet-wheel.k2", KnownAt: proto.String(fmt.Sprint(at))})
	if err != nil {
		return q, err
	}
	q.Answer = append(q.Answer, verdictOf("now: ", now, "DYE"), verdictOf(fmt.Sprintf("at the sale (position %d): ", at), then, "DYE"))
	for _, sale := range now.GetSales() {
		for _, c := range sale.GetClaims() {
			if sale.GetEvent() == saleOfK2 && c.GetClaim() == "NO_DYE" {
				q.Answer = append(q.Answer, fmt.Sprintf("The sale's claim NO_DYE: %s then, %s now.", c.GetThen(), c.GetNow()))
			}
		}
	}
	return q, nil
}

// verdictOf writes one treatment's verdict with its sentence.
func verdictOf(before string, s *pb.GetStatusResponse, treatment string) string {
	for _, t := range s.GetTreatments() {
		if t.GetTreatment() == treatment {
			return fmt.Sprintf("%s %s%s. %s", treatment, before, t.GetVerdict(), t.GetStatement())
		}
	}
	return treatment + " " + before + "no answer"
}

func smoked(ctx context.Context, a Asker, _ *Loaded) (Question, error) {
	q := Question{
		Title: "wet-wheel.e4 was bought as untreated. Is it?",
		Calls: []Call{{"/v1/lots/wet-wheel.e4:checkClaims", `{"claims":["UNTREATED"]}`}, {Path: "/v1/lots/wet-wheel.e4"}},
	}
	r, err := a.CheckClaims(ctx, &pb.CheckClaimsRequest{Lot: "wet-wheel.e4", Claims: []string{"UNTREATED"}})
	if err != nil {
		return q, err
	}
	q.Answer = results(r)
	l, err := a.GetLot(ctx, &pb.GetLotRequest{Lot: "wet-wheel.e4"})
	for _, f := range l.GetFindings() {
		if f.GetCode() == opal.FindClaimContradicted {
			q.Answer = append(q.Answer, f.GetCode()+": "+f.GetText())
		}
	}
	return q, err
}

func results(r *pb.CheckClaimsResponse) []string {
	var lines []string
	for _, c := range r.GetResults() {
		line := c.GetClaim() + ": " + c.GetVerdict()
		if c.Strength != nil {
			line += " (" + c.GetStrength() + ")"
		}
		if c.GetBecause() != "" {
			line += ". " + c.GetBecause()
		}
		lines = append(lines, line)
	}
	return lines
}

func untouched(ctx context.Context, a Asker, _ *Loaded) (Question, error) {
	q := Question{
		Title: "What may the shop say of wet-wheel.f1, whose line nobody touched and which was tested?",
		Calls: []Call{
			{"/v1/lots/wet-wheel.f1:checkClaims", `{"claims":["ORIGIN:ET","HYDROPHANE","NATURAL","NO_BACKING","UNTREATED"]}`},
			{Path: "/v1/lots/wet-wheel.f1/status"},
		},
	}
	r, err := a.CheckClaims(ctx, &pb.CheckClaimsRequest{Lot: "wet-wheel.f1", Claims: []string{"ORIGIN:ET", "HYDROPHANE", "NATURAL", "NO_BACKING", "UNTREATED"}})
	if err != nil {
		return q, err
	}
	q.Answer = results(r)
	s, err := a.GetStatus(ctx, &pb.GetStatusRequest{Lot: "wet-wheel.f1"})
	if text := s.GetRecord().GetText(); text != "" {
		q.Answer = append(q.Answer, text)
	}
	return q, err
}

func gap(ctx context.Context, a Asker, _ *Loaded) (Question, error) {
	q := Question{
		Title: "Where has wet-wheel.f4 been since November 2024?",
		Calls: []Call{{Path: "/v1/lots/wet-wheel.f4/status"}},
	}
	s, err := a.GetStatus(ctx, &pb.GetStatusRequest{Lot: "wet-wheel.f4"})
	for _, c := range s.GetCustody() {
		if !c.GetDocumented() {
			to := "now"
			if c.To != nil {
				to = c.GetTo()
			}
			q.Answer = append(q.Answer, fmt.Sprintf("undocumented from %s to %s: %s", c.GetFrom(), to, c.GetBecause()))
		}
	}
	return q, err
}

func missing(ctx context.Context, a Asker, _ *Loaded) (Question, error) {
	q := Question{
		Title: "Did everything of high-terrace.r1a arrive, and is all of it accounted for?",
		Calls: []Call{{Path: "/v1/lots/high-terrace.r1a"}},
	}
	l, err := a.GetLot(ctx, &pb.GetLotRequest{Lot: "high-terrace.r1a"})
	for _, f := range l.GetFindings() {
		q.Answer = append(q.Answer, f.GetCode()+": "+f.GetText())
	}
	return q, err
}
