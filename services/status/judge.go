package status

import (
	"encoding/binary"
	"fmt"
	"slices"
	"sort"
	"sync"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// policies are the judging numbers that were ever in force. There are few: each is set by an event of the admin.
type policies struct {
	mu   sync.RWMutex
	list []policyAt // guarded by mu, by position
}

// policyAt is a policy and the position of the event that set it.
type policyAt struct {
	position uint64
	policy   opal.Policy
}

func (p *policies) add(list []policyAt) {
	if len(list) == 0 {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.list = append(p.list, list...)
}

// before answers the policy that the event at a position is judged by; before the first one, the default.
func (p *policies) before(position uint64) opal.Policy {
	p.mu.RLock()
	defer p.mu.RUnlock()
	n := sort.Search(len(p.list), func(i int) bool { return p.list[i].position >= position })
	if n == 0 {
		return opal.DefaultPolicy()
	}
	return p.list[n-1].policy
}

// loadPolicies reads them from a store.
func loadPolicies(s *store) (*policies, error) {
	p := &policies{}
	prefix := []byte{kindPolicy}
	return p, s.each(prefix, after(prefix), func(key, value []byte) (bool, error) {
		at := policyAt{position: binary.BigEndian.Uint64(key[1:])}
		if err := s.codecs.policy.Decode(value, &at.policy); err != nil {
			return false, fmt.Errorf("read the policy at %d: %w", at.position, err)
		}
		p.list = append(p.list, at)
		return true, nil
	})
}

// rulesOf gives what a policy judges by. A policy that names no table is judged by the latest.
func rulesOf(p opal.Policy) (evidence.Rules, error) {
	table := evidence.Latest()
	if p.RuleTable != ([32]byte{}) {
		t, ok := evidence.TableByHash(p.RuleTable)
		if !ok {
			return evidence.Rules{}, fault.New(fault.LogTooNew, "",
				"the log is judged by the rule table %x, which this version does not know; a newer version is needed", p.RuleTable[:8])
		}
		table = t
	}
	return evidence.Rules{Table: table, TransitDays: p.TransitDays, SampleBound: p.SampleBound}, nil
}

// rules answers what judges for somebody who knew all events before a position.
func (p *policies) rules(knownAt uint64) (evidence.Rules, error) { return rulesOf(p.before(knownAt)) }

// judgeSale keeps what the record says of a sale's claims as the log takes the sale in.
func (f *folding) judgeSale(rec *opal.Recorded) error {
	ev := &rec.Event
	sale, asOf := rec, rec.When
	claims := claimsOf(ev.Sold, ev.Closed)
	if ev.Corrected != nil && ev.Corrected.Replacement != nil {
		claims = claimsOf(ev.Corrected.Replacement.Sold, ev.Corrected.Replacement.Closed)
		if len(claims) > 0 {
			target, err := f.recorded(ev.Corrected.Event)
			if err != nil {
				return err
			}
			sale, asOf = target, target.When
			if moved := ev.Corrected.Replacement.OccurredAt; moved != "" {
				if asOf, err = opal.ParseWhen(moved, f.zone(rec.Position)); err != nil {
					return err
				}
			}
		}
	}
	if len(claims) == 0 {
		return nil
	}
	lot := lotOf(&sale.Event)
	results, err := evidence.CheckClaims(evidence.Query{
		Lot: lot, Get: f.summary, AsOf: asOf.To, KnownAt: rec.Position + 1, Rules: f.rules, WithoutSales: true, WithoutMissing: true,
		Compromised: doubtful(append(slices.Clone(f.compromises.all()), f.doubts...), f.log, rec.Position+1),
		Validated:   counting{list: f.readings(), get: f.summary}.validated, Ratios: f.ratios,
	}, claims)
	if fault.Of(err) == fault.UnknownLot { // the lot never came to be, so nothing supports what is said of it
		results, err = nil, nil
		for _, c := range claims {
			results = append(results, evidence.ClaimResult{Claim: c, Verdict: evidence.Unsupported})
		}
	}
	if err != nil {
		return fmt.Errorf("judge the claims: %w", err)
	}
	r := &saleRecord{Event: sale.Event.ID(), Lot: lot}
	for _, c := range results {
		r.Claims = append(r.Claims, judgedClaim{c.Claim, c.Verdict})
		code := ""
		switch c.Verdict {
		case evidence.Unsupported:
			code = opal.FindClaimUnsupported
		case evidence.Contradicted:
			code = opal.FindClaimContradicted
		default:
			continue
		}
		r.Found = append(r.Found, opal.Finding{Code: code, Lot: lot, Note: claimText(c.Claim)})
	}
	return write(f.batch, f.store.codecs.sale, keySale(lot, rec.Position), r)
}

func claimsOf(sold *opal.Sold, closed *opal.Closed) []opal.Claim {
	switch {
	case sold != nil:
		return sold.Claims
	case closed != nil:
		return closed.Claims
	}
	return nil
}

// claimText writes a claim as people post it.
func claimText(c opal.Claim) string {
	if c.Country != "" {
		return string(c.Claim) + ":" + c.Country
	}
	return string(c.Claim)
}
