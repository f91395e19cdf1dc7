package block

import (
	"crypto/sha256"
	"fmt"
	"math/bits"
)

// Tree is the frontier of an RFC 6962 Merkle tree with SHA-256: the roots of the complete subtrees that its leaves make up, which is all
// that appending and the root need.
//
// The hash of a leaf is SHA-256(0x00 ‖ leaf), that of an inner node SHA-256(0x01 ‖ left ‖ right), the root of no leaves SHA-256 of nothing. The
// zero value is a tree without leaves. A Tree is plain data: it can be copied, and one that goes nowhere (a block that was not
// written) is dropped. It is not safe for use by many at once.
//
// It keeps its hashes in place because a sequencer copies it for each block and appends to it for each event; that it computes what the
// published library for such trees does, tests show.
type Tree struct {
	size uint64
	// peaks are the subtree roots, the largest subtree first. There is one for each bit that is set in size.
	peaks [64][32]byte
}

// NewTree makes a tree without leaves.
func NewTree() *Tree { return new(Tree) }

// LoadTree makes the tree that had this size and these Hashes.
func LoadTree(size uint64, hashes [][32]byte) (*Tree, error) {
	if want := bits.OnesCount64(size); len(hashes) != want {
		return nil, fmt.Errorf("load a tree of %d leaves: found %d hashes, accepted are %d", size, len(hashes), want)
	}
	t := &Tree{size: size}
	copy(t.peaks[:], hashes)
	return t, nil
}

// Append adds a leaf and answers its hash.
func (t *Tree) Append(leaf []byte) [32]byte {
	h := LeafHash(leaf)
	t.AppendHash(h)
	return h
}

// AppendHash adds a leaf by its hash.
func (t *Tree) AppendHash(leaf [32]byte) {
	top := bits.OnesCount64(t.size) // peaks in use
	// Each bit set at the low end of size is a subtree as large as what is being added.
	for range bits.TrailingZeros64(^t.size) {
		top--
		leaf = nodeHash(&t.peaks[top], &leaf)
	}
	t.peaks[top] = leaf
	t.size++
}

// Size is the number of leaves.
func (t *Tree) Size() uint64 { return t.size }

// Root is the root of the tree as it stands.
func (t *Tree) Root() [32]byte {
	top := bits.OnesCount64(t.size) - 1
	if top < 0 {
		return sha256.Sum256(nil)
	}
	root := t.peaks[top]
	for top--; top >= 0; top-- {
		root = nodeHash(&t.peaks[top], &root)
	}
	return root
}

// Hashes are the roots of the complete subtrees, the largest first; LoadTree takes them.
func (t *Tree) Hashes() [][32]byte {
	return append([][32]byte(nil), t.peaks[:bits.OnesCount64(t.size)]...)
}

// Clone gives a copy that grows by itself.
func (t *Tree) Clone() *Tree {
	c := *t
	return &c
}

// LeafHash is SHA-256(0x00 ‖ leaf).
func LeafHash(leaf []byte) [32]byte {
	var short [1 + LeafSize]byte // short[0] is 0
	return sha256.Sum256(append(short[:1], leaf...))
}

// nodeHash is SHA-256(0x01 ‖ left ‖ right).
func nodeHash(left, right *[32]byte) [32]byte {
	var b [65]byte
	b[0] = 1
	copy(b[1:], left[:])
	copy(b[33:], right[:])
	return sha256.Sum256(b[:])
}
