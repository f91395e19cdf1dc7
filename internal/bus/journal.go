package bus

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// What a publish may end in beside an acknowledgement. Any other error says that nothing was written.
var (
	// ErrFenced: the sequence was taken by another message before ours. Ours may be that message, if it was sent before.
	ErrFenced = errors.New("journal: another message took the place")
	// ErrAmbiguous: no answer, or one that says neither. The message may be written, may be on its way still, or may be lost.
	ErrAmbiguous = errors.New("journal: it is not known whether the message was written")
	// ErrNoJournal: the stream does not exist and was not to be made.
	ErrNoJournal = errors.New("journal: there is none")
)

// Journal is the one durable list of blocks: a JetStream stream with one subject, whose sequence numbers are the places.
//
// # The fence
//
// A publish names the sequence that the stream must be at. The server writes the message only if that is so, and then the message
// stands at the next sequence; two writers that both believe to be the only one can therefore never both write at one place, and
// neither can write over what it has not seen. This is all the agreement that lotpaper needs: who writes is decided by who is
// faster, and who was slower reads what was written before it goes on.
//
// An acknowledgement is the commit: the server synced the file before it sent it (embedded), or a majority of replicas holds the
// message (on a cluster, whose servers have to run with sync_interval "always" for the same promise).
//
// A Journal is safe for use by many.
type Journal struct {
	js      jetstream.JetStream
	stream  jetstream.Stream
	name    string
	subject string
}

// maxBlockMessage is the largest message in the stream: a block of 512 KiB with its headers.
const maxBlockMessage = 576 << 10

// readWithin bounds one request to the stream's leader.
const readWithin = 10 * time.Second

// Journal opens the journal of a log, and makes it if there is none and create is set. A node that has the log's events already must
// not make a journal: one that cannot be found is then lost, and an empty one in its place would hide that.
func (b *Bus) Journal(ctx context.Context, log string, create bool) (*Journal, error) {
	if err := opal.CheckLogName(log); err != nil {
		return nil, fmt.Errorf("open journal: log name: %w", err)
	}
	js, err := jetstream.New(b.conn, jetstream.WithDefaultTimeout(readWithin))
	if err != nil {
		return nil, fmt.Errorf("open journal: %w", err)
	}
	want := b.streamConfig(log)
	stream, err := js.Stream(ctx, want.Name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if b.Embedded() {
			if err := clearHalfMade(b.streamFolder(want.Name), create); err != nil {
				return nil, fmt.Errorf("open journal: %w", err)
			}
		}
		if !create {
			return nil, fmt.Errorf("open journal: stream %s: %w", want.Name, ErrNoJournal)
		}
		if stream, err = js.CreateStream(ctx, want); err == nil && b.Embedded() {
			err = b.syncFolders()
		}
	}
	if err != nil {
		return nil, fmt.Errorf("open journal: stream %s: %w", want.Name, err)
	}
	info, err := stream.Info(ctx)
	if err != nil {
		return nil, fmt.Errorf("open journal: stream %s: %w", want.Name, err)
	}
	if err := checkStream(want, info.Config); err != nil {
		return nil, fmt.Errorf("open journal: stream %s: %w", want.Name, err)
	}
	return &Journal{js: js, stream: stream, name: want.Name, subject: want.Subjects[0]}, nil
}

// clearHalfMade removes what is left of a stream whose making was cut off, so that it can be made anew. A folder that holds a single byte of
// messages is none of those: there the server cannot read a journal that was in use, and nobody may put an empty one in its place.
func clearHalfMade(folder string, create bool) error {
	used := false
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Dir(path) == folder {
			return err // the stream's own description is no message
		}
		info, err := d.Info()
		used = used || err == nil && info.Size() > 0
		return err
	})
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("look into a stream's folder: %w", err)
	case used || !create:
		return fmt.Errorf("the folder %s is there, but the server cannot read the stream in it", folder)
	}
	if err := os.RemoveAll(folder); err != nil {
		return fmt.Errorf("remove a half-made stream: %w", err)
	}
	return nil
}

func (b *Bus) streamConfig(log string) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:              StreamName(log),
		Description:       "lotpaper journal of the log " + log,
		Subjects:          []string{SubjectJournal(log)},
		Retention:         jetstream.LimitsPolicy,
		Discard:           jetstream.DiscardNew,
		Storage:           jetstream.FileStorage,
		Replicas:          b.cfg.Replicas,
		MaxConsumers:      -1,
		MaxMsgs:           -1,
		MaxBytes:          -1,
		MaxMsgsPerSubject: -1,
		MaxMsgSize:        maxBlockMessage,
		DenyDelete:        true,
		DenyPurge:         true,
		// Replicas that are behind must not answer "no such message": only the leader is asked. A single server is the leader, and
		// its direct answers come without a detour through JSON.
		AllowDirect: b.cfg.Replicas == 1,
		PersistMode: jetstream.DefaultPersistMode,
	}
}

// checkStream refuses a stream that may lose, delete, rewrite or reorder messages, or that acknowledges before it has written.
func checkStream(want, got jetstream.StreamConfig) error {
	var faults []error
	fault := func(field string, found, accepted any) {
		faults = append(faults, fmt.Errorf("%s: found %v, accepted is %v", field, found, accepted))
	}
	if len(got.Subjects) != 1 || got.Subjects[0] != want.Subjects[0] {
		fault("subjects", got.Subjects, want.Subjects)
	}
	if got.Retention != want.Retention {
		fault("retention", got.Retention, want.Retention)
	}
	if got.Discard != want.Discard {
		fault("discard", got.Discard, want.Discard)
	}
	if got.Storage != want.Storage {
		fault("storage", got.Storage, want.Storage)
	}
	if got.Replicas < want.Replicas {
		fault("num_replicas", got.Replicas, fmt.Sprintf("%d or more", want.Replicas))
	}
	if got.MaxMsgs > 0 || got.MaxBytes > 0 || got.MaxMsgsPerSubject > 0 || got.MaxAge != 0 {
		fault("max_msgs, max_bytes, max_msgs_per_subject, max_age",
			fmt.Sprint(got.MaxMsgs, got.MaxBytes, got.MaxMsgsPerSubject, got.MaxAge), "no limit: the journal keeps everything")
	}
	if got.MaxMsgSize > 0 && got.MaxMsgSize < want.MaxMsgSize {
		fault("max_msg_size", got.MaxMsgSize, fmt.Sprintf("%d or more", want.MaxMsgSize))
	}
	if !got.DenyDelete || !got.DenyPurge {
		fault("deny_delete, deny_purge", fmt.Sprint(got.DenyDelete, got.DenyPurge), "true, true")
	}
	if got.PersistMode != want.PersistMode {
		fault("persist_mode", got.PersistMode, "default: the asynchronous one acknowledges before it has written")
	}
	if got.Replicas > 1 && got.AllowDirect {
		fault("allow_direct", true, "false with replicas: one that is behind would answer")
	}
	if got.NoAck || got.Sealed || got.AllowRollup || got.AllowMsgTTL || got.AllowMsgSchedules || got.AllowMsgCounter {
		fault("no_ack, sealed, allow_rollup_hdrs, allow_msg_ttl, allow_msg_schedules, allow_msg_counter",
			fmt.Sprint(got.NoAck, got.Sealed, got.AllowRollup, got.AllowMsgTTL, got.AllowMsgSchedules, got.AllowMsgCounter), "all false")
	}
	if got.Mirror != nil || len(got.Sources) > 0 || got.SubjectTransform != nil {
		fault("mirror, sources, subject_transform", "some", "none: only the ledger writes here")
	}
	return errors.Join(faults...)
}

// Publish writes one message behind the sequence expected, and answers its own sequence, which is expected + 1. Durable when it
// answers without an error. The context bounds the wait; when it ends first, the answer is ErrAmbiguous.
func (j *Journal) Publish(ctx context.Context, expected uint64, data []byte) (uint64, error) {
	msg := &nats.Msg{Subject: j.subject, Data: data}
	ack, err := j.js.PublishMsg(ctx, msg, jetstream.WithExpectLastSequence(expected), jetstream.WithExpectStream(j.name),
		jetstream.WithRetryAttempts(0))
	if err == nil {
		if ack.Sequence != expected+1 {
			return 0, fmt.Errorf("publish behind %d: acknowledged at %d: %w", expected, ack.Sequence, ErrAmbiguous)
		}
		return ack.Sequence, nil
	}
	return 0, fmt.Errorf("publish behind %d: %w", expected, classify(err))
}

// classify tells the three ends of a publish that was not acknowledged apart. What is not known to be otherwise is ambiguous.
func classify(err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		switch api.ErrorCode {
		case jetstream.JSErrCodeStreamWrongLastSequence, jetstream.JSErrCodeStreamWrongLastSequenceConstant:
			return fmt.Errorf("%w: %w", ErrFenced, err)
		case jetstream.JSErrCodeStreamNotFound, jetstream.JSErrCodeStreamMessageExceedsMaximum, jetstream.JSErrCodeBadRequest:
			return err
		}
		return fmt.Errorf("%w: %w", ErrAmbiguous, err)
	}
	if errors.Is(err, nats.ErrMaxPayload) || errors.Is(err, nats.ErrBadSubject) {
		return err
	}
	return fmt.Errorf("%w: %w", ErrAmbiguous, err)
}

// Read gives the message at a sequence; found is false if the stream says that it has none there.
func (j *Journal) Read(ctx context.Context, seq uint64) (data []byte, found bool, err error) {
	msg, err := j.stream.GetMsg(ctx, seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("read journal at %d: %w", seq, err)
	}
	if msg.Sequence != seq {
		return nil, false, fmt.Errorf("read journal at %d: the answer is of %d", seq, msg.Sequence)
	}
	return msg.Data, true, nil
}

// Span says where the journal begins and ends and how many messages it holds: last-first+1 unless there are holes. An empty journal
// is (1, 0, 0).
func (j *Journal) Span(ctx context.Context) (first, last, count uint64, err error) {
	info, err := j.stream.Info(ctx)
	if err != nil {
		return 0, 0, 0, fmt.Errorf("ask the journal for its extent: %w", err)
	}
	s := info.State
	if s.LastSeq == 0 {
		return 1, 0, 0, nil
	}
	return s.FirstSeq, s.LastSeq, s.Msgs, nil
}
