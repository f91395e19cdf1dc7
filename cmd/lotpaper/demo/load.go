package demo

import (
	"context"
	"fmt"
	"maps"
	"path"
	"slices"

	"github.com/lotpaper/lotpaper/internal/eventfile"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// Poster is what loading needs of a service: both calls are answered when what they post is on disk.
type Poster interface {
	CreateParty(context.Context, *pb.CreatePartyRequest) (*pb.CreatePartyResponse, error)
	AppendBatch(context.Context, *pb.AppendBatchRequest) (*pb.AppendBatchResponse, error)
	PutAttachment(ctx context.Context, mediaType string, data []byte) (*pb.PutAttachmentResponse, error)
}

// Loader puts the scenario into a service, each event with the token of its party.
type Loader struct {
	// Admin enrols the parties.
	Admin Poster
	// As gives a poster with a party's token.
	As func(token string) (Poster, error)
	// Token finds the token of a party that was enrolled before, "" if there is none; Keep keeps a new one.
	Token func(party string) (string, error)
	Keep  func(party, token string) error
	// Progress is told of every act before its events are posted.
	Progress func(act string, done, total int)
}

// Loaded says what is in the service now.
type Loaded struct {
	Parties []Party
	Tokens  map[string]string
	Lots    int
	Events  int
	// Findings counts what judging noticed, by code.
	Findings map[string]int
	// Positions of the events by their ids.
	Positions map[string]int64
}

// Codes lists the findings' codes, sorted.
func (l *Loaded) Codes() []string { return slices.Sorted(maps.Keys(l.Findings)) }

// Load enrols the parties and posts the acts. A second time it changes nothing: every event has an id that follows from its content.
func (l Loader) Load(ctx context.Context) (*Loaded, error) {
	acts, err := Acts()
	if err != nil {
		return nil, err
	}
	out := &Loaded{Tokens: map[string]string{}, Findings: map[string]int{}, Positions: map[string]int64{}}
	if out.Parties, err = Parties(); err != nil {
		return nil, err
	}
	posters := map[string]Poster{}
	for _, p := range out.Parties {
		token, err := l.enrol(ctx, p)
		if err != nil {
			return nil, fmt.Errorf("enrol %s: %w", p.Party, err)
		}
		out.Tokens[p.Party] = token
		if posters[p.Party], err = l.As(token); err != nil {
			return nil, err
		}
	}
	total := 0
	for _, act := range acts {
		total += len(act.Entries)
	}
	lots := map[string]bool{}
	for _, act := range acts {
		l.Progress(act.Name, out.Events, total)
		for _, run := range runs(act.Entries) {
			if err := out.post(ctx, posters, run, lots); err != nil {
				return nil, err
			}
		}
	}
	l.Progress("", total, total)
	out.Lots = len(lots)
	return out, nil
}

func (l Loader) enrol(ctx context.Context, p Party) (string, error) {
	token, err := l.Token(p.Party)
	if err != nil || token != "" {
		return token, err
	}
	made, err := l.Admin.CreateParty(ctx, &pb.CreatePartyRequest{Party: p.Party, DisplayName: p.DisplayName, Roles: p.Roles})
	if err != nil {
		return "", err
	}
	return made.GetToken(), l.Keep(p.Party, made.GetToken())
}

// runs parts entries where the party changes: a batch is of one party.
func runs(entries []*eventfile.Entry) [][]*eventfile.Entry {
	var out [][]*eventfile.Entry
	for _, e := range entries {
		if n := len(out); n > 0 && out[n-1][0].Event.GetParty() == e.Event.GetParty() {
			out[n-1] = append(out[n-1], e)
			continue
		}
		out = append(out, []*eventfile.Entry{e})
	}
	return out
}

func (l *Loaded) post(ctx context.Context, posters map[string]Poster, run []*eventfile.Entry, lots map[string]bool) error {
	party := run[0].Event.GetParty()
	poster := posters[party]
	if poster == nil {
		return run[0].Problem(fault.New(fault.UnknownParty, "party", "found %q, which is none of the scenario's parties", party))
	}
	req := &pb.AppendBatchRequest{}
	for _, e := range run {
		req.Events = append(req.Events, e.Event)
		ev, f := wire.EventToDomain(e.Event)
		if f != nil {
			return e.Problem(f)
		}
		for _, lot := range opal.NewLots(ev) {
			lots[lot] = true
		}
	}
	for _, e := range run {
		for _, f := range e.Files {
			data, err := files.ReadFile(path.Join("acts", f.Path))
			if err == nil {
				_, err = poster.PutAttachment(ctx, f.MediaType, data)
			}
			if err != nil {
				return fmt.Errorf("upload %s: %w", f.Path, err)
			}
		}
	}
	answer, err := poster.AppendBatch(ctx, req)
	if err != nil {
		return eventfile.Blame(run, err)
	}
	for _, r := range answer.GetResults() {
		l.Events++
		l.Positions[r.GetEvent()] = r.GetPosition()
		for _, f := range r.GetFindings() {
			l.Findings[f.GetCode()]++
		}
	}
	return nil
}
