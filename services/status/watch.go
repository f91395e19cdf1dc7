package status

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"

	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// Watch streams what happens to a lot, or to the lots that the caller holds or sold.
//
// # Why nothing is lost or doubled
//
// A stream is a place in the log: everything that concerns the watch up to that position was sent, nothing after it. There is one
// notice at most for a position, so a place is an id, and going on after an id is the same as never having been cut off. What a
// notice says follows from the log up to its position: a stream that reads back what it missed says what it would have said then.
// Alerts come later than the events that cause them, since somebody has to walk down for them; a stream that shows alerts therefore never passes an
// event whose alerts are not all told.
//
// The fold wakes a stream with positions to look at. They are hints: the stream reads log and store like any reader, a stream that
// falls behind reads the log again, and one whose reader takes nothing is cut off.
func (s *Service) Watch(in *pb.WatchRequest, out grpc.ServerStreamingServer[pb.WatchResponse]) error {
	ctx := out.Context()
	party, err := caller(ctx)
	if err != nil {
		return err
	}
	if !s.proj.watch.enter(party, s.cfg.MaxWatches) {
		return fault.New(fault.RateLimited, "", "%d streams of this party are open, accepted are %d", s.cfg.MaxWatches, s.cfg.MaxWatches).Retry(s.cfg.Heartbeat)
	}
	defer s.proj.watch.leave(party)
	st, err := s.newStream(ctx, in, party)
	if err != nil {
		return err
	}
	s.start(st)
	defer s.proj.watch.remove(st.watching)

	notices := make(chan *pb.WatchResponse, 1)
	broken := make(chan error, 1)
	ended := make(chan struct{})
	taking := true // the caller takes what is sent
	go func() {
		defer close(ended)
		for n := range notices {
			if err := out.Send(n); err != nil {
				broken <- err
				return
			}
		}
	}()
	defer func() {
		close(notices)
		// A Send under way returns when the caller has gone. Where the caller is there and takes nothing, only returning from here ends
		// it, and so it is not waited for longer than a notice may take.
		if !taking {
			return
		}
		patience := time.NewTimer(s.cfg.SendWithin)
		defer patience.Stop()
		select {
		case <-ended:
		case <-patience.C:
		}
	}()
	st.send = func(n *pb.WatchResponse) error {
		slow := time.NewTimer(s.cfg.SendWithin)
		defer slow.Stop()
		select {
		case notices <- n:
			return nil
		case err := <-broken:
			return err
		case <-ctx.Done():
			return ctx.Err()
		case <-slow.C:
			taking = false
			return fault.New(fault.RateLimited, "", "no notice was taken for %s; go on after %s", s.cfg.SendWithin, st.id(st.cursor)).Retry(time.Second)
		}
	}
	return st.run(ctx, broken)
}

// stream is one watch.
type stream struct {
	*watching
	service *Service
	epoch   string
	side    side  // of a party's watch
	line    *line // of a lot's watch
	send    func(*pb.WatchResponse) error
	// cursor: everything up to this position was sent. scan: everything before this position is to be read from the log, what comes
	// from there on is woken for.
	cursor uint64
	scan   uint64
}

func (st *stream) id(position uint64) string {
	return st.epoch + "/" + strconv.FormatUint(position, 10)
}

// newStream reads what is to be watched, and from where.
func (s *Service) newStream(ctx context.Context, in *pb.WatchRequest, party string) (*stream, error) {
	st := &stream{service: s, watching: &watching{caller: party, woken: make(chan struct{}, 1)}}
	set := 0
	for _, v := range [...]string{in.GetLot(), in.GetHolder(), in.GetSold()} {
		if v != "" {
			set++
		}
	}
	if set != 1 {
		return nil, fault.New(fault.InvalidField, "lot", "found %d of lot, holder and sold, accepted is exactly one of lot=LOT, holder=me and sold=me", set)
	}
	for _, f := range [...]struct {
		field, given string
		side         side
	}{{"holder", in.GetHolder(), holding}, {"sold", in.GetSold(), selling}} {
		if f.given == "" {
			continue
		}
		if f.given != "me" && f.given != party {
			return nil, fault.New(fault.InvalidField, f.field, "found %q, accepted is me", f.given)
		}
		st.party, st.side = party, f.side
	}
	after, given, err := s.parseAfter(in.GetAfter())
	if err != nil {
		return nil, err
	}
	var least *int64
	if given {
		p := wire.Position(after)
		least = &p
	}
	m, done, err := s.begin(ctx, least, nil, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	st.epoch, st.cursor = m.epoch, m.next-1
	if given {
		st.cursor = after
	}
	if in.GetLot() != "" {
		if _, err := m.lot(in.GetLot(), m.next); err != nil {
			return nil, err
		}
		if st.line, err = lineOf(m.view.store, s.log, in.GetLot(), m.next); err != nil {
			return nil, err
		}
		st.lots = st.line.order
	}
	return st, nil
}

// parseAfter reads an id, "<epoch>/<position>".
func (s *Service) parseAfter(id string) (position uint64, given bool, err error) {
	if id == "" {
		return 0, false, nil
	}
	epoch, rest, ok := strings.Cut(id, "/")
	position, bad := strconv.ParseUint(rest, 10, 63)
	e, f := wire.EpochToDomain("after", epoch)
	if !ok || bad != nil || f != nil {
		return 0, false, fault.New(fault.InvalidField, "after", "found %q, accepted is the id of a notice, <epoch>/<position>", id)
	}
	if _, now := s.log.Next(); e != now {
		return 0, false, epochChanged(epoch, now)
	}
	return position, true, nil
}

// start lets the fold wake the stream. What was folded before is for the stream to read itself.
func (s *Service) start(st *stream) {
	s.proj.folding.Lock()
	defer s.proj.folding.Unlock()
	s.proj.watch.add(st.watching)
	st.scan = s.proj.folder.at.Next
}

// run sends notices until the caller goes, the service closes, or the reader is too slow.
func (st *stream) run(ctx context.Context, broken <-chan error) error {
	s := st.service
	beat := time.NewTicker(s.cfg.Heartbeat)
	defer beat.Stop()
	if err := st.heartbeat(); err != nil {
		return err
	}
	began := st.cursor
	for first := true; ; first = false {
		if err := st.advance(); err != nil {
			return err
		}
		if first && st.cursor > began { // what was missed is told: who wanted that alone need not wait for the next beat
			if err := st.heartbeat(); err != nil {
				return err
			}
		}
		select {
		case <-st.woken:
		case <-beat.C:
			if err := st.heartbeat(); err != nil {
				return err
			}
		case err := <-broken:
			return err
		case <-ctx.Done():
			return ctx.Err()
		case <-s.proj.watch.closed:
			return fault.New(fault.NotCaughtUp, "", "the server is stopping; go on after %s", st.id(st.cursor)).Retry(time.Second)
		}
	}
}

func (st *stream) heartbeat() error {
	return st.send(&pb.WatchResponse{Id: st.id(st.cursor), Kind: "heartbeat", Position: wire.Position(st.cursor)})
}

// advance sends everything that can be sent now.
func (st *stream) advance() error {
	for {
		limit := st.limit()
		if limit <= st.cursor+1 {
			return nil
		}
		if st.cursor+1 < st.scan {
			if err := st.readBack(min(limit, st.scan)); err != nil {
				return err
			}
			continue
		}
		positions, lost := st.take(limit - 1)
		if lost {
			st.scan = st.service.proj.standing()
			continue
		}
		for _, p := range positions {
			if p <= st.cursor {
				continue
			}
			if err := st.tell(p); err != nil {
				return err
			}
		}
		st.cursor = max(st.cursor, limit-1)
	}
}

// limit is the position before which all is known that the stream tells of.
func (st *stream) limit() uint64 {
	v, done := st.service.proj.read()
	defer done()
	next, _, _ := st.service.proj.place.now()
	if st.line != nil {
		return next
	}
	if position, ok := v.jobs.oldest(); ok {
		next = min(next, position)
	}
	return next
}

// readBackChunk is how many positions of the log are looked at before the place is noted.
const readBackChunk = 4_096

// readBack goes on from the cursor to a position, reading the log.
func (st *stream) readBack(to uint64) error {
	to = min(to, st.cursor+1+readBackChunk)
	var positions []uint64
	var err error
	if st.line != nil {
		positions, err = st.ofLine(to)
	} else {
		positions, err = st.ofParty(to)
	}
	if err != nil {
		return err
	}
	for _, p := range positions {
		if err := st.tell(p); err != nil {
			return err
		}
	}
	st.cursor = to - 1
	return nil
}

func (st *stream) ofLine(to uint64) (positions []uint64, err error) {
	v, done := st.service.proj.read()
	defer done()
	err = st.line.each(v.store, st.cursor+1, to, func(e *eventlog.Event) (bool, error) {
		positions = append(positions, e.Recorded.Position)
		return true, nil
	})
	return positions, err
}

func (st *stream) ofParty(to uint64) (positions []uint64, err error) {
	if st.side == selling {
		v, done := st.service.proj.read()
		defer done()
		return v.store.alerted(st.party, st.side, st.cursor+1, to)
	}
	// What the party held when, no index tells: each event's lot does.
	err = st.service.log.Tail(st.cursor+1, func(a *eventlog.Applied) error {
		for _, rec := range a.Events {
			if rec.Position > st.cursor && rec.Position < to {
				positions = append(positions, rec.Position)
			}
		}
		if a.Block.First+uint64(len(a.Events)) >= to {
			return errEnough
		}
		return nil
	})
	if err == errEnough {
		err = nil
	}
	return positions, err
}

// tell sends the notice of a position, if it concerns the watch, and moves the cursor there.
func (st *stream) tell(position uint64) error {
	n, err := st.notice(position)
	if err != nil {
		return fmt.Errorf("tell of the event at %d: %w", position, err)
	}
	if n != nil {
		n.Id, n.Position = st.id(position), wire.Position(position)
		if err := st.send(n); err != nil {
			return err
		}
	}
	st.cursor = position
	return nil
}

// notice makes the notice of a position; nil: it does not concern the watch.
func (st *stream) notice(position uint64) (*pb.WatchResponse, error) {
	v, done := st.service.proj.read()
	defer done()
	e, err := st.service.log.At(position)
	if err != nil || e == nil {
		return nil, err
	}
	if st.line != nil {
		return st.lotNotice(v, e)
	}
	n := &pb.WatchResponse{Kind: "event"}
	alert, err := find(v.store, v.store.codecs.alert, keyAlert(st.party, st.side, position))
	if err != nil {
		return nil, err
	}
	if alert != nil {
		n.Kind, n.Alert = "alert", alertOut(alert, st.side)
	}
	if st.side == holding {
		holds, err := st.holds(v.store, e.Recorded)
		if err != nil {
			return nil, err
		}
		if holds {
			if n.Event, err = st.service.present(v.store, e, st.party, position+1, nil); err != nil {
				return nil, err
			}
		}
	}
	if n.Event == nil && n.Alert == nil {
		return nil, nil
	}
	return n, nil
}

// holds tells whether the party held a lot of the event's before it or after it, or is to get one by it.
func (st *stream) holds(s *store, rec *opal.Recorded) (bool, error) {
	ev := &rec.Event
	if ev.Lot == "" {
		return false, nil
	}
	if ev.Sold != nil && ev.Sold.To == st.party || ev.HandedOver != nil && ev.HandedOver.To == st.party {
		return true, nil
	}
	lots := []string{ev.Lot}
	if part := lotOf(ev); part != ev.Lot {
		lots = append(lots, part)
	}
	for _, lot := range lots {
		r, err := s.lot(lot)
		if err != nil {
			return false, err
		}
		if r == nil {
			continue
		}
		if r.at(rec.Position).Holder == st.party || rec.Position > 0 && r.at(rec.Position-1).Holder == st.party {
			return true, nil
		}
	}
	return false, nil
}

// lotNotice makes the notice of a lot's watch.
func (st *stream) lotNotice(v *view, e *eventlog.Event) (*pb.WatchResponse, error) {
	bears, err := st.line.bears(e.Recorded)
	if err != nil || !bears {
		return nil, err
	}
	n := &pb.WatchResponse{Kind: "event"}
	if n.Event, err = st.service.present(v.store, e, st.caller, e.Recorded.Position+1, nil); err != nil {
		return nil, err
	}
	if n.Status, err = st.change(v, e.Recorded); err != nil {
		return nil, err
	}
	if n.Status != nil {
		n.Kind = "status"
	}
	return n, nil
}

// change compares the verdicts of the watched lot before and after an event, as of the time at which it was recorded; nil: they are the
// same.
func (st *stream) change(v *view, rec *opal.Recorded) (*pb.StatusChange, error) {
	lot := st.line.order[0]
	r, err := v.store.lot(lot)
	if err != nil || r == nil || len(r.Summary.Openings) == 0 || r.Summary.Openings[0].Fact.Position >= rec.Position {
		return nil, err
	}
	var statuses [2]*evidence.Status
	for i := range statuses {
		q := evidence.Query{
			Lot: lot, Get: v.store.summary, AsOf: rec.RecordedAt, KnownAt: rec.Position + uint64(i), Rules: v.policies.rules, WithoutSales: true,
			Compromised: doubtful(v.doubts.all(), st.service.log, rec.Position+uint64(i)),
			Validated:   counting{list: v.counts.all(), get: v.store.summary, remembered: v.references}.validated, Ratios: v.ratios,
		}
		statuses[i], err = evidence.Evaluate(q)
		if fault.Of(err) == fault.UnknownLot {
			return nil, nil // it was dated a little ahead of the clock, and has no status yet
		}
		if err != nil {
			return nil, fmt.Errorf("evaluate lot %s: %w", lot, err)
		}
	}
	before, now := statuses[0], statuses[1]
	c := &pb.StatusChange{Lot: lot, OverallBefore: string(before.Overall), OverallAfter: string(now.Overall)}
	for i := range now.Treatments {
		if i < len(before.Treatments) && before.Treatments[i].Verdict != now.Treatments[i].Verdict {
			c.Changes = append(c.Changes, &pb.VerdictChange{
				Treatment: string(now.Treatments[i].Treatment), Before: string(before.Treatments[i].Verdict), After: string(now.Treatments[i].Verdict),
			})
		}
	}
	if len(c.Changes) == 0 && before.Overall == now.Overall {
		return nil, nil
	}
	return c, nil
}

func alertOut(a *alertRecord, side side) *pb.Alert {
	did := "holds"
	if side == selling {
		did = "sold"
	}
	lots := "1 lot that this party " + did
	if a.Count != 1 {
		lots = fmt.Sprintf("%d lots that this party %s", a.Count, did)
	}
	text := fmt.Sprintf("The %s event on lot %s concerns %s.", a.Kind, a.Lot, lots)
	if a.Treatment != "" {
		text = fmt.Sprintf("The %s event on lot %s, about %s, concerns %s.", a.Kind, a.Lot, a.Treatment, lots)
	}
	return &pb.Alert{
		Event: a.Event, Kind: string(a.Kind), Treatment: given(a.Treatment), Lot: a.Lot, Count: int32(min(a.Count, math.MaxInt32)), Lots: a.Lots,
		Link: "/v1/lots/" + a.Lot + "/history", Text: text,
	}
}
