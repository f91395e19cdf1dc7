//go:build !js

package bundle

import "github.com/lotpaper/lotpaper/internal/eventlog"

var _ Log = (*eventlog.Log)(nil)

// Show gives an event as it is: its private values are nowhere in a bundle.
func (c *Checked) Show(e *eventlog.Event, _ string) (*eventlog.Shown, error) {
	return &eventlog.Shown{Recorded: e.Recorded}, nil
}
