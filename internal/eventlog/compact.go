//go:build !js

package eventlog

import "context"

// Compact brings the store into the shape that reads like best, as it comes to by itself after a while of rest. It writes the whole
// store once more, beside reads and appends.
func (l *Log) Compact(ctx context.Context) error {
	if err := l.Flush(); err != nil {
		return err
	}
	if err := l.db.Compact(ctx, []byte{0}, []byte{0xff}, true); err != nil {
		return &StoreError{"compact", err}
	}
	return nil
}
