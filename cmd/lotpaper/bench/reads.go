package bench

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"
	"time"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
)

// measureReads grows one log and asks it at each decade of its size.
func measureReads(ctx context.Context, dir string, sizes []logSize, say func(string)) (out []Result, err error) {
	n, err := startNode(ctx, filepath.Join(dir, "reads"), harness.Config{})
	if err != nil {
		return nil, err
	}
	defer n.stop()
	stories := 0
	var before float64
	for i, s := range sizes {
		say(fmt.Sprintf("filling the log to %d events", s.events))
		if stories, err = fill(ctx, n, stories, s.events); err != nil {
			return nil, err
		}
		if err := settle(ctx, n, s.rest, say); err != nil {
			return nil, err
		}
		say("reading at " + s.name)
		status, err := ask(stories, func(party, lot string) error {
			_, err := n.Status.GetStatus(asParty(ctx, party), &pb.GetStatusRequest{Lot: lot})
			return err
		})
		if err != nil {
			return nil, err
		}
		status.Name = "status." + s.name
		if i > 0 {
			status.Ratio, status.Of = round3(status.P50Micros/before), "status."+sizes[i-1].name
		}
		before = status.P50Micros
		history, err := ask(stories, func(party, lot string) error {
			_, err := n.Status.GetHistory(asParty(ctx, party), &pb.GetHistoryRequest{Lot: lot})
			return err
		})
		if err != nil {
			return nil, err
		}
		history.Name = "history." + s.name
		resident, err := residentBytes()
		if err != nil {
			return nil, err
		}
		out = append(out, status, history, Result{Name: "memory." + s.name, Mebibytes: round3(float64(resident) / (1 << 20))})
	}
	return out, nil
}

// fill posts whole stories until the log has that many events.
func fill(ctx context.Context, n *node, stories, size int) (int, error) {
	upTo := size / storyLength
	var wg sync.WaitGroup
	failed := make(chan error, len(benchParties))
	for p, party := range benchParties {
		wg.Go(func() {
			const together = 40 // stories in one batch of 640 events
			first := stories + (p-stories%len(benchParties)+len(benchParties))%len(benchParties)
			for s := first; s < upTo; {
				var run []int
				for ; s < upTo && len(run) < together; s += len(benchParties) {
					run = append(run, s)
				}
				events := story(party, run[0])
				for _, k := range run[1:] {
					events = append(events, story(party, k)...)
				}
				if _, f := n.Intake.Submit(ctx, party, events); f != nil {
					failed <- f
					return
				}
			}
		})
	}
	wg.Wait()
	select {
	case err := <-failed:
		return 0, err
	default:
	}
	return upTo, nil
}

// settle waits until projection and stores have nothing more to do: readings are of a log at rest.
func settle(ctx context.Context, n *node, quiet time.Duration, say func(string)) error {
	if err := n.WaitReady(ctx); err != nil {
		return err
	}
	if err := errors.Join(n.Log.Compact(ctx), n.Status.Compact(ctx)); err != nil {
		return err
	}
	say(fmt.Sprintf("letting the log rest for %s", quiet))
	select {
	case <-time.After(quiet):
	case <-ctx.Done():
		return ctx.Err()
	}
	return nil
}

// ask puts one question about lots all over the log, once to warm up and then measured.
func ask(stories int, question func(party, lot string) error) (Result, error) {
	rng := rand.New(rand.NewPCG(1, 2))
	const lots, times = 1000, 5
	type target struct{ party, lot string }
	targets := make([]target, lots)
	for i := range targets {
		s := rng.IntN(stories)
		party := benchParties[s%len(benchParties)]
		all := storyLots(party, s)
		targets[i] = target{party, all[rng.IntN(len(all))]}
	}
	var took []float64
	for round := range times + 1 {
		for _, t := range targets {
			began := time.Now()
			if err := question(t.party, t.lot); err != nil {
				return Result{}, fmt.Errorf("ask about %s: %w", t.lot, err)
			}
			if round > 0 {
				took = append(took, float64(time.Since(began).Nanoseconds())/1000)
			}
		}
	}
	slices.Sort(took)
	return Result{P50Micros: round3(took[len(took)/2]), P99Micros: round3(took[len(took)*99/100])}, nil
}
