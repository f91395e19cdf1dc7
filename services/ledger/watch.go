package ledger

import (
	"context"
	"errors"
	"time"

	"github.com/lotpaper/lotpaper/internal/eventlog"
)

// diskEvery is how often free space is looked at. At the fastest the log grows by some tens of megabytes meanwhile; the reserve is
// many times that.
const diskEvery = time.Second

// watchDisk keeps appends away from a full disk: the journal's server refuses to write after one until it is started anew, and the
// store tries again without a pause.
func (l *Ledger) watchDisk(ctx context.Context) {
	tick := time.NewTicker(diskEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			l.checkDisk(ctx)
		}
	}
}

func (l *Ledger) checkDisk(ctx context.Context) {
	if l.cfg.Free == nil {
		return
	}
	free, err := l.cfg.Free()
	if err != nil {
		l.cfg.Logger.WarnContext(ctx, "free space not known", "error", err)
		return
	}
	low := free < l.cfg.Reserve
	if was := l.lowDisk.Swap(low); was != low {
		l.cfg.Logger.WarnContext(ctx, "disk reserve", "reached", low, "free", free, "reserve", l.cfg.Reserve)
	}
}

// auditPause is how long the audit rests when it has come to the end of the log.
const auditPause = time.Second

// audit runs the background audit within its share of a core: after each block it rests in proportion to what the block took.
func (l *Ledger) audit(ctx context.Context) {
	a, err := l.log.NewAuditor(l.cfg.Journal)
	if err != nil {
		l.cfg.Logger.ErrorContext(ctx, "audit not started", "error", err)
		return
	}
	rest := time.NewTimer(auditPause)
	defer rest.Stop()
	saved := time.Now()
	for {
		select {
		case <-ctx.Done():
			if err := a.Save(); err != nil {
				l.cfg.Logger.WarnContext(ctx, "audit mark not saved", "error", err)
			}
			return
		case <-rest.C:
		}
		if l.log.ReadOnly() != nil {
			return
		}
		began := time.Now()
		more, err := a.Step(ctx)
		pause := auditPause
		if more {
			pause = time.Duration(float64(time.Since(began)) * (1/l.cfg.AuditShare - 1))
		}
		if _, ok := errors.AsType[*eventlog.Mismatch](err); err != nil && !ok && ctx.Err() == nil {
			l.cfg.Logger.WarnContext(ctx, "audit", "error", err)
		}
		if time.Since(saved) > 10*auditPause && err == nil {
			if err = a.Save(); err != nil {
				l.cfg.Logger.WarnContext(ctx, "audit mark not saved", "error", err)
			}
			saved = time.Now()
		}
		rest.Reset(max(pause, time.Millisecond))
	}
}
