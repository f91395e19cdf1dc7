package eventfile

import "github.com/lotpaper/lotpaper/internal/opal"

// Order puts events into an order in which each stands behind what it needs: the event that opens its lot, the lots that it combines, and the event that it
// amends, as far as they are among them. Otherwise they stay as they are. What needs itself, by a slip, stays in its place, and the service says why not.
func Order(events []*opal.Event) []int {
	opener, byID := map[string]int{}, map[string]int{}
	for i, ev := range events {
		byID[ev.ID()] = i
		for _, lot := range opal.NewLots(ev) {
			if _, twice := opener[lot]; !twice {
				opener[lot] = i
			}
		}
	}
	out := make([]int, 0, len(events))
	state := make([]byte, len(events)) // 0: not looked at, 1: what it needs is being placed, 2: placed
	var place func(i int)
	place = func(i int) {
		if state[i] != 0 {
			return
		}
		state[i] = 1
		ev := events[i]
		need := func(j int, ok bool) {
			if ok && j != i {
				place(j)
			}
		}
		j, ok := opener[ev.Lot]
		need(j, ok)
		if ev.Combined != nil {
			for _, lot := range ev.Combined.Parents {
				j, ok := opener[lot]
				need(j, ok)
			}
		}
		switch {
		case ev.Corrected != nil:
			j, ok := byID[ev.Corrected.Event]
			need(j, ok)
		case ev.Withdrawn != nil:
			j, ok := byID[ev.Withdrawn.Event]
			need(j, ok)
		}
		state[i] = 2
		out = append(out, i)
	}
	for i := range events {
		place(i)
	}
	return out
}
