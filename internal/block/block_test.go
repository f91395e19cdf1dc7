package block_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// wantFault checks that err is a refusal with this reason and field, whose message has all the given words.
func wantFault(t *testing.T, err error, reason fault.Reason, field string, words ...string) {
	t.Helper()
	f, ok := fault.As(err)
	if !ok {
		t.Fatalf("%v, wanted is %s", err, reason)
	}
	if f.Reason != reason || f.Field != field {
		t.Errorf("%v, wanted is %s: %s", err, reason, field)
	}
	for _, w := range words {
		if !strings.Contains(f.Message, w) {
			t.Errorf("%q does not name %q", f.Message, w)
		}
	}
}

func general(t *testing.T) (cbor.EncMode, cbor.DecMode) {
	t.Helper()
	enc, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		t.Fatal(err)
	}
	dec, err := cbor.DecOptions{DefaultMapType: reflect.TypeFor[map[any]any]()}.DecMode()
	if err != nil {
		t.Fatal(err)
	}
	return enc, dec
}

func TestBlocksRefused(t *testing.T) {
	good := readGolden(t, "block")
	enc, dec := general(t)
	spoil := func(f func(m map[uint64]any)) []byte {
		var m map[uint64]any
		if err := dec.Unmarshal(good[len(block.Magic):], &m); err != nil {
			t.Fatal(err)
		}
		f(m)
		b, err := enc.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		return append([]byte(block.Magic), b...)
	}
	if same := spoil(func(map[uint64]any) {}); !bytes.Equal(same, good) {
		t.Fatalf("a general library writes\n%x, the file has\n%x", same, good)
	}
	event := func(m map[uint64]any, i int) map[any]any { return m[12].([]any)[i].(map[any]any) }
	body := func(b ...byte) []byte { return append([]byte(block.Magic), append(b, good[len(block.Magic)+1:]...)...) }
	for _, tt := range []struct {
		name   string
		b      []byte
		reason fault.Reason
		field  string
		words  []string
	}{
		{"nothing", nil, fault.InvalidField, "", []string{"start of a block"}},
		{"part of the magic", good[:10], fault.InvalidField, "", []string{"lotpaper/b"}},
		{"another magic", append([]byte("lotpaper/block/v2\n"), good[len(block.Magic):]...), fault.InvalidField, "", []string{"v2", "v1"}},
		{"magic alone", good[:len(block.Magic)], fault.InvalidField, "", nil},
		{"cut off", good[:len(good)-1], fault.InvalidField, "events[3].outcome", nil},
		{"a byte more", append(good[:len(good):len(good)], 0), fault.InvalidField, "", []string{"after the end"}},
		{"too large", append(good[:len(good):len(good)], make([]byte, block.MaxBytes)...), fault.TooLarge, "", []string{fmt.Sprint(len(good) + block.MaxBytes), "524288"}},
		{"indefinite length", append(body(0xbf), 0xff), fault.InvalidField, "", []string{"indefinite"}},
		{"format 2", spoil(func(m map[uint64]any) { m[1] = 2 }), fault.InvalidField, "format", []string{"2"}},
		{"format twice", body(0xad, 1, 1), fault.InvalidField, "format", []string{"twice"}},
		{"for a newer reader", spoil(func(m map[uint64]any) { m[2] = 2 }), fault.LogTooNew, "leastReader", []string{"version 2", "version 1"}},
		{"for a newer reader, in a format with other fields", spoil(func(m map[uint64]any) { m[1], m[2], m[13], m[3] = 2, 2, "x", 5 }), fault.LogTooNew, "leastReader", nil},
		{"for no reader", spoil(func(m map[uint64]any) { m[2] = 0 }), fault.InvalidField, "leastReader", nil},
		{"short epoch", spoil(func(m map[uint64]any) { m[3] = seq(0, 15) }), fault.InvalidField, "epoch", nil},
		{"no log name", spoil(func(m map[uint64]any) { m[4] = "" }), fault.InvalidField, "logName", nil},
		{"negative position", spoil(func(m map[uint64]any) { m[5] = -1 }), fault.InvalidField, "first", nil},
		{"positions past the end", spoil(func(m map[uint64]any) { m[5] = uint64(math.MaxUint64 - 3) }), fault.InvalidField, "first", nil},
		{"short hash", spoil(func(m map[uint64]any) { m[6] = seq(0, 31) }), fault.InvalidField, "prev", nil},
		{"no root", spoil(func(m map[uint64]any) { delete(m, 7) }), fault.InvalidField, "root", nil},
		{"time as a float", spoil(func(m map[uint64]any) { m[8] = 1.5 }), fault.InvalidField, "recordedAt", nil},
		{"long sequencer", spoil(func(m map[uint64]any) { m[10] = strings.Repeat("n", 201) }), fault.TooLarge, "sequencer", []string{"201", "200"}},
		{"no envelopes", spoil(func(m map[uint64]any) { m[11] = []any{} }), fault.InvalidField, "events[0].envelope", nil},
		{"an empty envelope", spoil(func(m map[uint64]any) { m[11].([]any)[1] = []byte{} }), fault.InvalidField, "envelopes[1]", nil},
		{"an envelope of no event", spoil(func(m map[uint64]any) { m[11] = append(m[11].([]any), []byte{1}) }), fault.InvalidField, "envelopes[2]", nil},
		{"envelopes in another order", spoil(func(m map[uint64]any) { event(m, 0)[uint64(1)] = 1 }), fault.InvalidField, "events[0].envelope", nil},
		{"an envelope past the last", spoil(func(m map[uint64]any) { event(m, 2)[uint64(1)] = 2 }), fault.InvalidField, "events[2].envelope", nil},
		{"no events", spoil(func(m map[uint64]any) { m[12] = []any{} }), fault.InvalidField, "events", []string{"1 to 1024"}},
		{"1,025 events", spoil(func(m map[uint64]any) {
			m[11] = m[11].([]any)[:1]
			m[12] = slices.Repeat([]any{map[uint64]any{1: 0, 2: 0, 3: []byte{1}}}, 1025)
		}), fault.TooLarge, "events", []string{"1025", "1024"}},
		{"no statement", spoil(func(m map[uint64]any) { event(m, 1)[uint64(3)] = []byte{} }), fault.InvalidField, "events[1].statement", nil},
		{"long statement", spoil(func(m map[uint64]any) { event(m, 1)[uint64(3)] = make([]byte, envelope.MaxStatement+1) }), fault.TooLarge, "events[1].statement", []string{"131073", "131072"}},
		{"index 1,000", spoil(func(m map[uint64]any) { event(m, 1)[uint64(2)] = 1000 }), fault.InvalidField, "events[1].index", []string{"1000", "999"}},
		{"index past 32 bits", spoil(func(m map[uint64]any) { event(m, 1)[uint64(2)] = uint64(1 << 32) }), fault.InvalidField, "events[1].index", []string{"32 bits"}},
		{"empty findings", spoil(func(m map[uint64]any) { event(m, 1)[uint64(4)] = []any{} }), fault.InvalidField, "events[1].findings", []string{"left out"}},
		{"finding without a code", spoil(func(m map[uint64]any) { delete(event(m, 1)[uint64(4)].([]any)[0].(map[any]any), uint64(1)) }), fault.InvalidField, "events[1].findings[0].code", nil},
		{"finding not UTF-8", bytes.Replace(good, []byte("a note"), []byte("a not\xff"), 1), fault.InvalidField, "events[1].findings[1].note", []string{"UTF-8"}},
		{"empty outcome", spoil(func(m map[uint64]any) { event(m, 3)[uint64(5)] = []byte{} }), fault.InvalidField, "events[3].outcome", []string{"left out"}},
		{"unknown field", spoil(func(m map[uint64]any) { m[13] = 1 }), fault.InvalidField, "", []string{"unknown field number 13"}},
		{"unknown field in an entry", spoil(func(m map[uint64]any) { event(m, 0)[uint64(6)] = 1 }), fault.InvalidField, "events[0]", []string{"unknown field number 6"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := block.Decode(tt.b)
			wantFault(t, err, tt.reason, tt.field, tt.words...)
		})
	}
}

func TestEncodeRefuses(t *testing.T) {
	for _, tt := range []struct {
		name   string
		spoil  func(*block.Block)
		reason fault.Reason
		field  string
		words  []string
	}{
		{"too large", func(b *block.Block) {
			b.Events = slices.Repeat([]block.Entry{{Statement: make([]byte, 100_000)}}, 6)
			b.Envelopes = b.Envelopes[:1]
		}, fault.TooLarge, "", []string{"524288"}},
		{"1,025 events", func(b *block.Block) {
			b.Events = slices.Repeat([]block.Entry{{Statement: []byte{1}}}, 1025)
			b.Envelopes = b.Envelopes[:1]
		}, fault.TooLarge, "events", []string{"1025", "1024"}},
		{"no events", func(b *block.Block) { b.Events = nil }, fault.InvalidField, "events", nil},
		{"envelope of no event", func(b *block.Block) { b.Envelopes = append(b.Envelopes, []byte{1}) }, fault.InvalidField, "envelopes[2]", nil},
		{"format 0", func(b *block.Block) { b.Format = 0 }, fault.InvalidField, "format", nil},
		{"finding not UTF-8", func(b *block.Block) { b.Events[1].Findings[0].Note = "\xff" }, fault.InvalidField, "events[1].findings[0].note", nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := sample(t)
			tt.spoil(b)
			_, err := b.Encode()
			wantFault(t, err, tt.reason, tt.field, tt.words...)
		})
	}
	// Judging could leave such a finding, and asks for the leaf before the block is encoded.
	if h := block.OutcomeHash([]opal.Finding{{Code: "\xff"}}, nil); h != [32]byte{} {
		t.Errorf("%x", h)
	}
}

// The sizes by which a sequencer fills a block never promise too little room, and waste no more than the fixed part may be smaller than stated.
func TestSizesAddUp(t *testing.T) {
	large := sample(t)
	large.LogName, large.Sequencer = strings.Repeat("l", 128), strings.Repeat("n", 200)
	large.First, large.PolicyVersion, large.RecordedAt = math.MaxUint64-2000, math.MaxUint64, math.MinInt64
	large.Events = nil
	for i := range block.MaxEvents {
		large.Events = append(large.Events, block.Entry{Envelope: uint32(i % 2), Index: uint32(i % 1000), Statement: make([]byte, 1+i%300), Outcome: make([]byte, i%2)})
	}
	for name, b := range map[string]*block.Block{"the sample": sample(t), "a large one": large} {
		sum := block.MaxOverhead
		for _, e := range b.Envelopes {
			sum += block.EnvelopeSize(e)
		}
		for i := range b.Events {
			size, err := b.Events[i].Size()
			if err != nil {
				t.Fatal(err)
			}
			sum += size
		}
		data, err := b.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if waste := sum - len(data); waste < 0 || waste > block.MaxOverhead {
			t.Errorf("%s: %d bytes, the sizes add up to %d", name, len(data), sum)
		}
	}
}

func TestCheckEnvelopes(t *testing.T) {
	list, err := sample(t).CheckEnvelopes()
	if err != nil || len(list) != 2 || list[1].Payload.Party != "far-bench" {
		t.Fatalf("%+v, %v", list, err)
	}
	for _, tt := range []struct {
		name  string
		spoil func(*block.Block)
		field string
	}{
		{"another statement", func(b *block.Block) {
			b.Events[2].Statement = bytes.Clone(b.Events[2].Statement)
			b.Events[2].Statement[20]++
		}, "events[2].statement"},
		{"another place", func(b *block.Block) { b.Events[2].Index = 2 }, "events[2].statement"},
		{"a place past the last", func(b *block.Block) { b.Events[2].Index = 4 }, "events[2].statement"},
		{"another envelope", func(b *block.Block) { b.Events[2].Envelope = 1 }, "events[2].statement"},
		{"an envelope past the last", func(b *block.Block) { b.Events[2].Envelope = 2 }, "events[2].envelope"},
		{"another log", func(b *block.Block) { b.LogName = "lotpaper.example/onyx" }, "envelopes[0].payload.logName"},
		{"no envelope", func(b *block.Block) { b.Envelopes[1] = []byte{1} }, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := sample(t)
			tt.spoil(b)
			_, err := b.CheckEnvelopes()
			wantFault(t, err, fault.InvalidField, tt.field)
		})
	}
}

// The layout that the comments give, put together by hand.
func TestLeafBytes(t *testing.T) {
	b := sample(t)
	hashes := b.EnvelopeHashes()
	for i := range b.Events {
		e := &b.Events[i]
		enc, _ := general(t)
		list := e.Findings
		if list == nil {
			list = []opal.Finding{}
		}
		outcome := e.Outcome
		if outcome == nil {
			outcome = []byte{}
		}
		judged, err := enc.Marshal([]any{list, outcome})
		if err != nil {
			t.Fatal(err)
		}
		var want bytes.Buffer
		want.WriteString("lotpaper/leaf/1\n")
		want.Write(seq(0xe0, 16))
		want.Write([]byte{0, 0, 0, 0, 0, 0, 0, byte(41 + i)})
		want.Write([]byte{0, 0x06, 0x4c, 0x2d, 0xed, 0x61, 0xf6, 0x40}) // 1,772,610,000,123,456
		envelopeHash := sha256.Sum256(b.Envelopes[e.Envelope])
		want.Write(envelopeHash[:])
		want.Write([]byte{0, 0, 0, byte(e.Index)})
		statementHash := sha256.Sum256(e.Statement)
		want.Write(statementHash[:])
		outcomeHash := sha256.Sum256(judged)
		want.Write(outcomeHash[:])

		leaf := b.Leaf(i, hashes)
		got := leaf.Append([]byte("before"))
		if !bytes.Equal(got[len("before"):], want.Bytes()) || len(got) != len("before")+block.LeafSize {
			t.Errorf("event %d: leaf\n%x, wanted is\n%x", i, got[6:], want.Bytes())
		}
		if back, err := block.DecodeLeaf(want.Bytes()); err != nil || back != leaf {
			t.Errorf("event %d: read back %+v, %v", i, back, err)
		}
	}
	t.Run("before 1970", func(t *testing.T) {
		l := block.Leaf{RecordedAt: -1, Position: math.MaxUint64, Index: math.MaxUint32}
		if back, err := block.DecodeLeaf(l.Append(nil)); err != nil || back != l {
			t.Errorf("read back %+v, %v", back, err)
		}
	})
	t.Run("no allocation", func(t *testing.T) {
		leaf, buf := b.Leaf(1, hashes), make([]byte, 0, block.LeafSize)
		if n := testing.AllocsPerRun(100, func() { buf = leaf.Append(buf[:0]) }); n != 0 {
			t.Errorf("%v allocations", n)
		}
	})
}

func TestLeavesRefused(t *testing.T) {
	good := readGolden(t, "leaf")
	for name, b := range map[string][]byte{
		"nothing":       nil,
		"cut off":       good[:block.LeafSize-1],
		"a byte more":   append(good[:len(good):len(good)], 0),
		"another magic": append([]byte("lotpaper/leaf/2\n"), good[16:]...),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := block.DecodeLeaf(b)
			wantFault(t, err, fault.InvalidField, "")
		})
	}
}

func FuzzBlock(f *testing.F) {
	f.Add(readGolden(f, "block"))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := block.Decode(data)
		if err != nil {
			if _, ok := fault.As(err); !ok {
				t.Fatalf("refused with %v", err)
			}
			return
		}
		if again, err := b.Encode(); err != nil || !bytes.Equal(again, data) {
			t.Fatalf("%x: encoded again %x, %v", data, again, err)
		}
		hashes := b.EnvelopeHashes()
		for i := range b.Events {
			b.Leaf(i, hashes)
			if size, err := b.Events[i].Size(); err != nil || size < len(b.Events[i].Statement) {
				t.Fatalf("size %d, %v", size, err)
			}
		}
		if _, err := b.CheckEnvelopes(); err != nil {
			if _, ok := fault.As(err); !ok {
				t.Fatalf("envelopes refused with %v", err)
			}
		}
	})
}

func FuzzLeaf(f *testing.F) {
	f.Add(readGolden(f, "leaf"))
	f.Add(readGolden(f, "leaf-plain"))
	f.Fuzz(func(t *testing.T, data []byte) {
		leaf, err := block.DecodeLeaf(data)
		if err != nil {
			return
		}
		if again := leaf.Append(nil); !bytes.Equal(again, data) {
			t.Fatalf("%x: encoded again %x", data, again)
		}
	})
}
