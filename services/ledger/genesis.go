package ledger

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// open writes the first block of a new log: one event that names the log, its epoch, its keys and its first policy. Everything that is
// judged later rests on it.
func (l *Ledger) open(ctx context.Context) error {
	opened := &opal.LogOpened{
		LogName:        l.cfg.LogName,
		AdminKey:       envelope.PublicKey(l.cfg.Keys.Admin),
		IntakeKey:      envelope.PublicKey(l.cfg.Keys.Intake),
		CheckpointKey:  envelope.PublicKey(l.cfg.Keys.Checkpoint),
		Policy:         l.cfg.Policy,
		AdminTokenHash: l.cfg.AdminToken,
		HandleKeyHash:  l.cfg.Keys.HandleKeyHash(),
	}
	ev := &opal.Event{Party: opal.Admin, LogOpened: opened}
	now := opal.InstantOf(l.cfg.Clock())
	ev.OccurredAt = now.String()
	for _, b := range [][]byte{opened.Epoch[:], ev.RequestID[:]} {
		if _, err := io.ReadFull(l.cfg.Rand, b); err != nil {
			return fmt.Errorf("draw a random id: %w", err)
		}
	}
	ev.RequestID[6] = ev.RequestID[6]&0x0f | 0x40 // RFC 9562, version 4
	ev.RequestID[8] = ev.RequestID[8]&0x3f | 0x80
	statement, err := envelope.Seal(ev, nil) // it has no private fields
	if err != nil {
		return err
	}
	env, err := envelope.Wrap(envelope.Payload{
		Version: envelope.PayloadVersion, LogName: l.cfg.LogName, Party: opal.Admin, Statements: [][32]byte{statement.Hash},
	}, envelope.NewSigner(l.cfg.Keys.Admin))
	if err != nil {
		return err
	}
	e, err := eventlog.NewEvent(opal.Admin, statement.Bytes, statement.Hash)
	if err != nil {
		return err
	}
	if f := opal.Check(&e.Recorded.Event, opened.Policy.ZoneMinutes); f != nil {
		return f
	}
	return l.bringFirst(ctx, env, e, opened, now)
}

func (l *Ledger) bringFirst(ctx context.Context, env []byte, e *eventlog.Event, opened *opal.LogOpened, now opal.Instant) error {
	d := eventlog.NewDraft(l.log, 0, now, opened.Policy.Version)
	if err := e.Place(d, 0, now); err != nil {
		return err
	}
	findings, f, err := account.Decide(d, e.Recorded)
	if err != nil {
		return err
	}
	if f != nil {
		return f
	}
	e.Recorded.Findings = findings
	hash := sha256.Sum256(env)
	size, err := d.SizeWith(env, hash, []*eventlog.Event{e})
	if err != nil {
		return err
	}
	if err := d.Apply(e); err != nil {
		return err
	}
	d.Accept(env, hash, size)
	head := eventlog.Head{Epoch: opened.Epoch, LogName: opened.LogName}
	sealed, err := d.Seal(&head, l.cfg.Sequencer)
	if err != nil {
		return err
	}
	return l.bring(ctx, sealed)
}

// checkIdentity refuses a log that is not the one these keys belong to: what this node signs must be what the log's readers check.
func (l *Ledger) checkIdentity() error {
	state, err := l.log.Log()
	if err != nil || state == nil {
		return err // nothing is applied: there is nothing to compare, and nothing is appended either
	}
	var faults []error
	if state.Name != l.cfg.LogName {
		faults = append(faults, fmt.Errorf("the data folder holds the log %q, asked for is %q", state.Name, l.cfg.LogName))
	}
	if state.HandleKeyHash != l.cfg.Keys.HandleKeyHash() {
		faults = append(faults, errors.New("the handle key is not the one the log was opened with"))
	}
	admin, err := l.log.Party(opal.Admin)
	if err != nil {
		return err
	}
	for _, k := range []struct {
		what    string
		private ed25519.PrivateKey
		use     opal.KeyUse
	}{{"intake key", l.cfg.Keys.Intake, opal.UseIntake}, {"checkpoint key", l.cfg.Keys.Checkpoint, opal.UseCheckpoint}} {
		if admin == nil || !holds(admin, envelope.PublicKey(k.private), k.use) {
			faults = append(faults, fmt.Errorf("the %s is not in the log's directory, or is revoked", k.what))
		}
	}
	if err := errors.Join(faults...); err != nil {
		return fmt.Errorf("this log does not fit the keys in the data folder: %w", err)
	}
	return nil
}

func holds(p *account.Party, public [32]byte, use opal.KeyUse) bool {
	for i := range p.Keys {
		if k := &p.Keys[i]; k.Public == public && k.Use == use && k.RevokedAt == nil {
			return true
		}
	}
	return false
}
