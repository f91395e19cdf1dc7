package opal

import (
	"maps"
	"slices"
)

// Clone copies an event deeply: nothing that can be changed is shared. nil stays nil.
func Clone(e *Event) *Event {
	if e == nil {
		return nil
	}
	c := *e
	c.ExpectedRevision = shallow(e.ExpectedRevision)
	c.Attachments = slices.Clone(e.Attachments)

	c.Mined = e.Mined.clone()
	c.Acquired = e.Acquired.clone()
	c.Split = e.Split.clone()
	c.Combined = e.Combined.clone()
	c.Cut = e.Cut.clone()
	c.Tested = e.Tested.clone()
	c.Treated = e.Treated.clone()
	c.Described = e.Described.clone()
	c.HandedOver = e.HandedOver.clone()
	c.Sold = e.Sold.clone()
	c.Received = e.Received.clone()
	c.Refused = shallow(e.Refused)
	c.Returned = shallow(e.Returned)
	c.NothingDone = shallow(e.NothingDone)
	c.Counted = e.Counted.clone()
	c.Set = shallow(e.Set)
	c.Unset = shallow(e.Unset)
	c.ReferenceSet = shallow(e.ReferenceSet)
	c.Closed = e.Closed.clone()
	c.Reopened = shallow(e.Reopened)
	c.Corrected = e.Corrected.clone()
	c.Withdrawn = shallow(e.Withdrawn)
	c.Enrolled = e.Enrolled.clone()
	c.TokenIssued = e.TokenIssued.clone()
	c.TokenRevoked = shallow(e.TokenRevoked)
	c.KeyAdded = shallow(e.KeyAdded)
	c.KeyRevoked = e.KeyRevoked.clone()
	c.MethodValidated = e.MethodValidated.clone()
	c.PolicySet = shallow(e.PolicySet)
	c.LogOpened = shallow(e.LogOpened)
	c.HandleIssued = shallow(e.HandleIssued)
	c.HandleRevoked = shallow(e.HandleRevoked)
	return &c
}

// shallow copies what a pointer points to; enough where that holds no pointer, slice or map itself.
func shallow[T any](p *T) *T {
	if p == nil {
		return nil
	}
	c := *p
	return &c
}

func (m *Mined) clone() *Mined {
	c := shallow(m)
	if c != nil {
		c.Pieces = shallow(m.Pieces)
	}
	return c
}

func (a *Acquired) clone() *Acquired {
	c := shallow(a)
	if c != nil {
		c.Pieces = shallow(a.Pieces)
		c.StatedTreatments = slices.Clone(a.StatedTreatments)
	}
	return c
}

func (s *Split) clone() *Split {
	c := shallow(s)
	if c != nil {
		c.Rest = shallow(s.Rest)
		if c.Rest != nil {
			c.Rest.Pieces = shallow(s.Rest.Pieces)
		}
		c.Children = cloneParts(s.Children)
		c.Loss = s.Loss.clone()
	}
	return c
}

func cloneParts(list []Part) []Part {
	c := slices.Clone(list)
	for i := range c {
		c[i].Pieces = shallow(list[i].Pieces)
	}
	return c
}

func (l *Loss) clone() *Loss {
	c := shallow(l)
	if c != nil {
		c.Pieces = shallow(l.Pieces)
	}
	return c
}

func (m *Combined) clone() *Combined {
	c := shallow(m)
	if c != nil {
		c.Parents = slices.Clone(m.Parents)
		c.Pieces = shallow(m.Pieces)
	}
	return c
}

func (t *Cut) clone() *Cut {
	c := shallow(t)
	if c != nil {
		c.Stones = slices.Clone(t.Stones)
		for i := range c.Stones {
			c.Stones[i].Pieces = shallow(t.Stones[i].Pieces)
			c.Stones[i].DimensionsMm = slices.Clone(t.Stones[i].DimensionsMm)
		}
		c.Offcuts = cloneParts(t.Offcuts)
		c.Loss = t.Loss.clone()
	}
	return c
}

func (t *Tested) clone() *Tested {
	c := shallow(t)
	if c != nil {
		c.Sample.Tested = shallow(t.Sample.Tested)
		c.Sample.Of = shallow(t.Sample.Of)
		c.Sample.Positive = shallow(t.Sample.Positive)
		c.Sample.Lots = slices.Clone(t.Sample.Lots)
		c.Findings = slices.Clone(t.Findings)
		c.LookedFor = slices.Clone(t.LookedFor)
		c.Conditions = maps.Clone(t.Conditions)
		c.Measurement = t.Measurement.clone()
		c.Destroyed = shallow(t.Destroyed)
		if c.Destroyed != nil {
			c.Destroyed.Pieces = shallow(t.Destroyed.Pieces)
		}
	}
	return c
}

func (t *Treated) clone() *Treated {
	c := shallow(t)
	if c != nil {
		c.Process = shallow(t.Process)
		if c.Process != nil {
			c.Process.TemperatureCelsius = shallow(t.Process.TemperatureCelsius)
			c.Process.DurationHours = shallow(t.Process.DurationHours)
			c.Process.Steps = slices.Clone(t.Process.Steps)
		}
	}
	return c
}

func (d *Described) clone() *Described {
	c := shallow(d)
	if c != nil {
		c.DimensionsMm = slices.Clone(d.DimensionsMm)
	}
	return c
}

func (h *HandedOver) clone() *HandedOver {
	c := shallow(h)
	if c != nil {
		c.Part = h.Part.clone()
	}
	return c
}

func (p *PartOf) clone() *PartOf {
	c := shallow(p)
	if c != nil {
		c.Pieces = shallow(p.Pieces)
	}
	return c
}

func (s *Sold) clone() *Sold {
	c := shallow(s)
	if c != nil {
		c.Claims = slices.Clone(s.Claims)
		c.Part = s.Part.clone()
	}
	return c
}

func (r *Received) clone() *Received {
	c := shallow(r)
	if c != nil {
		c.Pieces = shallow(r.Pieces)
	}
	return c
}

func (n *Counted) clone() *Counted {
	c := shallow(n)
	if c != nil {
		c.Pieces = shallow(n.Pieces)
	}
	return c
}

func (d *Closed) clone() *Closed {
	c := shallow(d)
	if c != nil {
		c.Claims = slices.Clone(d.Claims)
	}
	return c
}

func (k *Corrected) clone() *Corrected {
	c := shallow(k)
	if c != nil && k.Replacement != nil {
		r := *k.Replacement
		r.Mined = r.Mined.clone()
		r.Acquired = r.Acquired.clone()
		r.Split = r.Split.clone()
		r.Combined = r.Combined.clone()
		r.Cut = r.Cut.clone()
		r.Tested = r.Tested.clone()
		r.Treated = r.Treated.clone()
		r.Described = r.Described.clone()
		r.HandedOver = r.HandedOver.clone()
		r.Sold = r.Sold.clone()
		r.Received = r.Received.clone()
		r.NothingDone = shallow(r.NothingDone)
		r.Counted = r.Counted.clone()
		r.Closed = r.Closed.clone()
		r.MethodValidated = r.MethodValidated.clone()
		c.Replacement = &r
	}
	return c
}

func (n *Enrolled) clone() *Enrolled {
	c := shallow(n)
	if c != nil {
		c.Roles = slices.Clone(n.Roles)
	}
	return c
}

func (t *TokenIssued) clone() *TokenIssued {
	c := shallow(t)
	if c != nil {
		c.Scopes = slices.Clone(t.Scopes)
	}
	return c
}

func (k *KeyRevoked) clone() *KeyRevoked {
	c := shallow(k)
	if c != nil {
		c.CompromisedSince = shallow(k.CompromisedSince)
	}
	return c
}

func (m *MethodValidated) clone() *MethodValidated {
	c := shallow(m)
	if c != nil {
		c.Rows = slices.Clone(m.Rows)
		c.Lots = slices.Clone(m.Lots)
	}
	return c
}
