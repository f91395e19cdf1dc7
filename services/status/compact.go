package status

import (
	"context"
	"fmt"
)

// Compact brings the projection's store into the shape that reads like best, as it comes to by itself after a while of rest.
func (s *Service) Compact(ctx context.Context) error {
	v, done := s.proj.read()
	defer done()
	if err := v.store.db.Flush(); err != nil {
		return fmt.Errorf("flush the projection: %w", err)
	}
	if err := v.store.db.Compact(ctx, []byte{0}, []byte{0xff}, true); err != nil {
		return fmt.Errorf("compact the projection: %w", err)
	}
	return nil
}
