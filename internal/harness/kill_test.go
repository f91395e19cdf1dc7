package harness_test

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
)

var (
	chaosRounds = flag.Int("chaos.rounds", 0, "rounds of the test that kills; 0: as many as the ordinary run makes")
	_           = flag.String("chaos.flips", "", "taken for the sake of the packages that flip bytes; nothing is flipped here")
)

// childEnv tells this binary that it is the node to be killed: it holds "<round> <folder>".
const childEnv = "LOTPAPER_TEST_CHILD"

// The load: callers that post one event at a time, and callers that post batches.
const (
	singleCallers, batchCallers = 6, 3
	batchSize                   = 16
)

// child is the node that gets killed. It posts until then, and writes each event that was acknowledged to standard output: "id position".
func child() int {
	err := func() error {
		round, dir, _ := strings.Cut(os.Getenv(childEnv), " ")
		n, err := harness.Start(context.Background(), harness.Config{DataDir: dir})
		if err != nil {
			return err
		}
		fmt.Println("up")
		return load(n, round)
	}()
	fmt.Fprintln(os.Stderr, err)
	return 1
}

// load posts without end.
func load(n *harness.Node, round string) error {
	client := pb.NewIntakeServiceClient(n.Conn())
	as := func(token string) context.Context {
		return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+token)
	}
	miner := "miner-" + round
	p, err := client.CreateParty(as(n.AdminToken()), &pb.CreatePartyRequest{Party: miner, Roles: []string{"MINER"}})
	if err != nil {
		return fmt.Errorf("enrol %s: %w", miner, err)
	}
	failed := make(chan error)
	for i := range singleCallers + batchCallers {
		c := &caller{client: client, ctx: as(p.GetToken()), party: miner, number: i}
		go func() { failed <- c.run() }()
	}
	return <-failed
}

// caller posts to a lot of its own.
type caller struct {
	client pb.IntakeServiceClient
	ctx    context.Context
	party  string
	number int
	posted int
}

func (c *caller) lot() string { return fmt.Sprintf("%s.c%d", c.party, c.number) }

// event makes the caller's next event. Its id stands in a private field, too, and its call in a public one.
func (c *caller) event(call int) *pb.Event {
	c.posted++
	id := fmt.Sprintf("00000000-0000-4000-8000-%04x%08x", c.number, c.posted)
	return &pb.Event{
		RequestId: &id, Lot: proto.String(c.lot()), OccurredAt: proto.String("2025-04-01"), Remark: &id,
		Body: &pb.Event_Described{Described: &pb.Described{BodyColour: proto.String(fmt.Sprintf("call %d", call))}},
	}
}

func (c *caller) run() error {
	opening := c.event(0)
	opening.Body = &pb.Event_Mined{Mined: &pb.Mined{
		Origin: &pb.Origin{Country: proto.String("ET")}, Material: &pb.Material{Kind: proto.String("HYDROPHANE")}, Mass: proto.String("1.250 kg"),
	}}
	if err := c.post(opening); err != nil {
		return err
	}
	for call := 1; ; call++ {
		n := 1
		if c.number >= singleCallers {
			n = batchSize
		}
		events := make([]*pb.Event, n)
		for i := range events {
			events[i] = c.event(call)
		}
		if err := c.post(events...); err != nil {
			return err
		}
	}
}

// post posts events and tells of those that were acknowledged.
func (c *caller) post(events ...*pb.Event) error {
	var results []*pb.AppendResponse
	if len(events) == 1 {
		r, err := c.client.Append(c.ctx, &pb.AppendRequest{Event: events[0]})
		if err != nil {
			return err
		}
		results = append(results, r)
	} else {
		r, err := c.client.AppendBatch(c.ctx, &pb.AppendBatchRequest{Events: events})
		if err != nil {
			return err
		}
		results = r.GetResults()
	}
	var b strings.Builder
	for _, r := range results {
		fmt.Fprintf(&b, "%s %d\n", r.GetEvent(), r.GetPosition())
	}
	_, err := os.Stdout.WriteString(b.String())
	return err
}

// ack is an event that was acknowledged.
type ack struct {
	id       string
	position uint64
}

// TestChaosKill kills a node in the middle of a load, at any moment, many times over on the same folder. Every event that was acknowledged
// is there once, at its position, with its private values; positions have no gap; batches are whole; and fsck finds nothing, neither before
// the node has come up again nor after.
func TestChaosKill(t *testing.T) {
	rounds, random := roundsOf(t)
	dir := t.TempDir()
	var acked []ack
	everUp, killedStarting := false, 0
	for round := range rounds {
		starting := round < rounds-1 && random.IntN(4) == 0
		got, up := killOne(t, dir, round, starting, random)
		acked = append(acked, got...)
		if everUp = everUp || up; !up {
			killedStarting++
		}
		if !everUp {
			continue // there need not be a log yet; the next round goes on with what there is
		}
		if next := fsck(t, dir); next > 0 && (round == rounds-1 || random.IntN(2) == 0) {
			checkAcknowledged(t, dir, acked)
			fsck(t, dir)
		}
		if t.Failed() {
			t.Fatalf("after round %d", round)
		}
	}
	if len(acked) < 10*(rounds-killedStarting) {
		t.Errorf("%d events were acknowledged in %d rounds: that is no load", len(acked), rounds)
	}
	t.Logf("%d rounds, %d of them killed while starting, %d events acknowledged", rounds, killedStarting, len(acked))
}

// TestChaosKillNewNode kills a node while it makes its folder for the first time: it can be started all the same.
func TestChaosKillNewNode(t *testing.T) {
	rounds, random := roundsOf(t)
	for round := range rounds {
		dir := filepath.Join(t.TempDir(), "data")
		acked, _ := killOne(t, dir, round, true, random)
		n := start(t, dir, nil)
		n.enrol(t, "harrow-gully", "MINER")
		n.post(t, "harrow-gully", "harrow-gully.r1", minedBody).ok(t)
		n.down(t)
		checkAcknowledged(t, dir, acked)
		fsck(t, dir)
		if t.Failed() {
			t.Fatalf("after round %d", round)
		}
	}
}

// roundsOf gives how often to kill, and the seed of when.
func roundsOf(t *testing.T) (rounds int, random *rand.Rand) {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random = rand.New(rand.NewPCG(seed, 0))
	switch {
	case *chaosRounds > 0:
		return *chaosRounds, random
	case testing.Short():
		return 2, random
	}
	return 10, random
}

// killOne starts a child on a folder, kills it while it starts or under load, and gives what it had acknowledged, and whether it had
// come up.
func killOne(t *testing.T, dir string, round int, starting bool, random *rand.Rand) (acked []ack, up bool) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d %s", childEnv, round, dir))
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	came := make(chan struct{})
	read := make(chan error, 1)
	go func() { read <- readAcks(out, came, &acked) }()
	if starting {
		time.Sleep(time.Duration(random.Int64N(int64(120 * time.Millisecond))))
	} else {
		select {
		case <-came:
		case err := <-read:
			t.Fatalf("the node did not come up: %v: %s", err, stderr.String())
		case <-time.After(60 * time.Second):
			_ = cmd.Process.Kill()
			t.Fatalf("the node did not come up within a minute: %s", stderr.String())
		}
		time.Sleep(50*time.Millisecond + time.Duration(random.Int64N(int64(300*time.Millisecond))))
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatalf("the node had ended by itself: %v: %s", err, stderr.String())
	}
	if err := <-read; err != nil {
		t.Fatal(err)
	}
	err = cmd.Wait()
	if exit := (*exec.ExitError)(nil); !errors.As(err, &exit) || exit.ExitCode() != -1 {
		t.Fatalf("the node ended by itself: %v: %s", err, stderr.String())
	}
	select {
	case <-came:
		up = true
	default:
	}
	return acked, up
}

// readAcks reads what a child tells until it is dead. The last line may be cut short, and is then none.
func readAcks(r io.Reader, came chan<- struct{}, acked *[]ack) error {
	buf := bufio.NewReader(r)
	for {
		line, err := buf.ReadString('\n')
		if err != nil {
			return nil
		}
		line = strings.TrimSuffix(line, "\n")
		if line == "up" {
			close(came)
			continue
		}
		id, rest, ok := strings.Cut(line, " ")
		position, err := strconv.ParseUint(rest, 10, 64)
		if !ok || err != nil {
			return fmt.Errorf("the node says %q", line)
		}
		*acked = append(*acked, ack{id, position})
	}
}

// fsck checks the log of a folder as it lies there, and says how many events it has.
func fsck(t *testing.T, dir string) uint64 {
	t.Helper()
	l, err := eventlog.Open(eventlog.Options{Dir: dir, ReadOnly: true})
	if err != nil {
		t.Fatalf("open the log: %v", err)
	}
	defer l.Close()
	b, err := bus.Open(t.Context(), bus.Config{Dir: filepath.Join(dir, "journal")})
	if err != nil {
		t.Fatalf("open the bus: %v", err)
	}
	defer b.Close()
	journal, err := b.Journal(t.Context(), "lotpaper", false)
	if errors.Is(err, bus.ErrNoJournal) {
		if next, _ := l.Next(); next > 0 {
			t.Fatalf("%d events and no journal", next)
		}
		return 0
	}
	if err != nil {
		t.Fatalf("open the journal: %v", err)
	}
	report, err := eventlog.Fsck(t.Context(), journal, l, nil)
	if err != nil {
		t.Fatalf("fsck: %v", err)
	}
	for _, p := range report.Problems {
		t.Errorf("fsck: %s", p)
	}
	return report.Next
}

// checkAcknowledged starts the node again and looks every acknowledged event up.
func checkAcknowledged(t *testing.T, dir string, acked []ack) {
	t.Helper()
	n := start(t, dir, nil)
	defer n.down(t)
	if f := n.Log.ReadOnly(); f != nil {
		t.Fatalf("the node takes no events: %v", f)
	}
	at := map[string]uint64{}
	calls := map[string]int{}
	next := uint64(0)
	err := n.Log.Tail(0, func(a *eventlog.Applied) error {
		for _, rec := range a.Events {
			if rec.Position != next {
				return fmt.Errorf("position %d follows %d", rec.Position, next-1)
			}
			next++
			if first, twice := at[rec.Event.ID()]; twice {
				return fmt.Errorf("event %s stands at %d and at %d", rec.Event.ID(), first, rec.Position)
			}
			at[rec.Event.ID()] = rec.Position
			if d := rec.Event.Described; d != nil {
				calls[rec.Event.Lot+" "+d.BodyColour]++
			}
		}
		return nil
	})
	if err != nil || next != n.next() {
		t.Fatalf("read the log to position %d of %d: %v", next, n.next(), err)
	}
	last := map[string]ack{} // by caller
	for _, a := range acked {
		if got, ok := at[a.id]; !ok || got != a.position {
			t.Errorf("event %s was acknowledged at %d; found: %v, at %d", a.id, a.position, ok, got)
		}
		e, err := n.Log.Event(a.id)
		if err != nil || e == nil {
			t.Fatalf("event %s by its id: %v, %v", a.id, e, err)
		}
		shown, err := n.Log.Show(e, e.Recorded.Event.Party)
		if err != nil {
			t.Fatalf("event %s: %v", a.id, err)
		}
		rec := shown.Recorded
		if rec.Event.Remark != a.id[strings.Index(a.id, "/")+1:] {
			t.Errorf("event %s has the private value %q (%v)", a.id, rec.Event.Remark, err)
		}
		lot := rec.Event.Lot
		if before := last[lot]; before.id != "" && before.position >= a.position {
			t.Errorf("event %s at %d was acknowledged before %s at %d", before.id, before.position, a.id, a.position)
		}
		last[lot] = a
	}
	for call, count := range calls {
		number, err := strconv.Atoi(call[strings.Index(call, ".c")+2 : strings.Index(call, " ")])
		if err != nil {
			t.Fatal(err)
		}
		if want := map[bool]int{false: 1, true: batchSize}[number >= singleCallers]; count != want {
			t.Errorf("%s: %d events of %d are in the log", call, count, want)
		}
	}
}
