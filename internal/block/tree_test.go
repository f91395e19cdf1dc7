package block_test

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"testing"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"github.com/transparency-dev/merkle/testonly"
	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/block"
)

// The leaves and roots in use for RFC 6962 trees.
// Source: github.com/transparency-dev/merkle v0.0.2, testonly/constants.go; the same as in the certificate-transparency implementations.
var (
	vectorLeaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	vectorRoots  = []string{
		"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestTreeRoots(t *testing.T) {
	tree := block.NewTree()
	for size, want := range vectorRoots {
		if root := tree.Root(); hex.EncodeToString(root[:]) != want || tree.Size() != uint64(size) {
			t.Errorf("%d leaves: root %x, wanted is %s", tree.Size(), root, want)
		}
		if size < len(vectorLeaves) {
			tree.Append(unhex(t, vectorLeaves[size]))
		}
	}
	// Source: transparency-dev/merkle, rfc6962_test.go.
	if h := block.LeafHash([]byte("L123456")); hex.EncodeToString(h[:]) != "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56" {
		t.Errorf("leaf hash %x", h)
	}
}

// proofVector is a published proof in the tree of vectorLeaves.
type proofVector struct {
	a, b   uint64
	hashes []string
}

// Hashes that several proofs have in common.
const (
	leaf0    = "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"
	leaf1    = "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"
	leaf2    = "0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7"
	leaf3    = "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7"
	leaf4    = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"
	nodes01  = "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"
	nodes23  = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
	nodes45  = "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a"
	nodes67  = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
	nodes456 = "837dbb152e9b079010717e84e865da4ebc0fa198a806d59d31bf15accef22d0e"
	nodes03  = "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"
	nodes47  = "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"
)

// Source: the proofs of the trees above as the published tests of certificate-transparency implementations have them, for (index, size) and (size, size).
func inclusionVectors() []proofVector {
	return []proofVector{
		{0, 8, []string{leaf1, nodes23, nodes47}},
		{5, 8, []string{leaf4, nodes67, nodes03}},
		{2, 3, []string{nodes01}},
		{1, 5, []string{leaf0, nodes23, leaf4}},
	}
}

func consistencyVectors() []proofVector {
	return []proofVector{
		{1, 1, nil},
		{1, 8, []string{leaf1, nodes23, nodes47}},
		{6, 8, []string{nodes45, nodes67, nodes03}},
		{2, 5, []string{nodes23, leaf4}},
		{3, 7, []string{leaf2, leaf3, nodes01, nodes456}},
		{4, 7, []string{nodes456}},
	}
}

// vectorTree is our tree of the first leaves.
func vectorTree(t testing.TB, size uint64) *block.Tree {
	t.Helper()
	tree := block.NewTree()
	for _, l := range vectorLeaves[:size] {
		tree.Append(unhex(t, l))
	}
	return tree
}

// The published proofs verify against our roots, by the published verifier, and no longer with a bit changed.
func TestPublishedProofsVerifyAgainstOurRoots(t *testing.T) {
	unhexAll := func(list []string) [][]byte {
		var all [][]byte
		for _, s := range list {
			all = append(all, unhex(t, s))
		}
		return all
	}
	for _, v := range inclusionVectors() {
		root, leaf := vectorTree(t, v.b).Root(), block.LeafHash(unhex(t, vectorLeaves[v.a]))
		hashes := unhexAll(v.hashes)
		if err := proof.VerifyInclusion(rfc6962.DefaultHasher, v.a, v.b, leaf[:], hashes, root[:]); err != nil {
			t.Errorf("inclusion of %d in %d: %v", v.a, v.b, err)
		}
		hashes[0][0] ^= 1
		if proof.VerifyInclusion(rfc6962.DefaultHasher, v.a, v.b, leaf[:], hashes, root[:]) == nil {
			t.Errorf("inclusion of %d in %d: a changed proof verifies", v.a, v.b)
		}
	}
	for _, v := range consistencyVectors() {
		older, newer := vectorTree(t, v.a).Root(), vectorTree(t, v.b).Root()
		hashes := unhexAll(v.hashes)
		if err := proof.VerifyConsistency(rfc6962.DefaultHasher, v.a, v.b, hashes, older[:], newer[:]); err != nil {
			t.Errorf("consistency of %d with %d: %v", v.a, v.b, err)
		}
		if len(hashes) == 0 {
			continue
		}
		hashes[0][0] ^= 1
		if proof.VerifyConsistency(rfc6962.DefaultHasher, v.a, v.b, hashes, older[:], newer[:]) == nil {
			t.Errorf("consistency of %d with %d: a changed proof verifies", v.a, v.b)
		}
	}
}

// Source: github.com/transparency-dev/merkle. Our roots and frontiers are the library's at every size, its proofs over its own tree verify against our roots, and
// either's frontier can be carried on by the other.
func TestTreeAgreesWithTheLibrary(t *testing.T) {
	const size = 300
	factory := &compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}
	ours, theirs, whole := block.NewTree(), factory.NewEmptyRange(0), testonly.New(rfc6962.DefaultHasher)
	roots := [][]byte{rfc6962.DefaultHasher.EmptyRoot()}
	for i := range size {
		leaf := fmt.Appendf(nil, "leaf %d", i)
		got := ours.Append(leaf)
		if want := rfc6962.DefaultHasher.HashLeaf(leaf); !bytes.Equal(got[:], want) {
			t.Fatalf("hash of leaf %d: %x, the library has %x", i, got, want)
		}
		if err := theirs.Append(rfc6962.DefaultHasher.HashLeaf(leaf), nil); err != nil {
			t.Fatal(err)
		}
		whole.AppendData(leaf)

		root := ours.Root()
		want, err := theirs.GetRootHash(nil)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(root[:], want) || !bytes.Equal(root[:], whole.Hash()) {
			t.Fatalf("%d leaves: root %x, the library has %x and %x", i+1, root, want, whole.Hash())
		}
		roots = append(roots, root[:])
		if hashes := ours.Hashes(); len(hashes) != len(theirs.Hashes()) {
			t.Fatalf("%d leaves: %d hashes, the library has %d", i+1, len(hashes), len(theirs.Hashes()))
		} else {
			for j := range hashes {
				if !bytes.Equal(hashes[j][:], theirs.Hashes()[j]) {
					t.Fatalf("%d leaves: hash %d is %x, the library has %x", i+1, j, hashes[j], theirs.Hashes()[j])
				}
			}
		}

		// Carry on from each other's frontiers.
		loaded, err := block.LoadTree(theirs.End(), arrays(theirs.Hashes()))
		if err != nil || loaded.Root() != root {
			t.Fatalf("%d leaves: the library's frontier gives %v, %v", i+1, loaded, err)
		}
		carried, err := factory.NewRange(0, ours.Size(), slicesOf(ours.Hashes()))
		if err != nil {
			t.Fatal(err)
		}
		if r, err := carried.GetRootHash(nil); err != nil || !bytes.Equal(r, root[:]) {
			t.Fatalf("%d leaves: our frontier gives the library %x, %v", i+1, r, err)
		}
	}
	for index := range uint64(size) {
		p, err := whole.InclusionProof(index, size)
		if err != nil {
			t.Fatal(err)
		}
		if err := proof.VerifyInclusion(rfc6962.DefaultHasher, index, size, whole.LeafHash(index), p, roots[size]); err != nil {
			t.Errorf("inclusion of %d: %v", index, err)
		}
	}
	for older := uint64(1); older <= size; older++ {
		p, err := whole.ConsistencyProof(older, size)
		if err != nil {
			t.Fatal(err)
		}
		if err := proof.VerifyConsistency(rfc6962.DefaultHasher, older, size, p, roots[older], roots[size]); err != nil {
			t.Errorf("consistency of %d: %v", older, err)
		}
	}
}

func arrays(list [][]byte) [][32]byte {
	var out [][32]byte
	for _, h := range list {
		out = append(out, [32]byte(h))
	}
	return out
}

func slicesOf(list [][32]byte) [][]byte {
	var out [][]byte
	for i := range list {
		out = append(out, list[i][:])
	}
	return out
}

func TestClonesGrowByThemselves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		leaves := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 0, 200), 0, 40).Draw(t, "leaves")
		at := rapid.IntRange(0, len(leaves)).Draw(t, "at")
		tree := block.NewTree()
		for _, l := range leaves[:at] {
			tree.Append(l)
		}
		root := tree.Root()
		clone, loaded := tree.Clone(), func() *block.Tree {
			l, err := block.LoadTree(tree.Size(), tree.Hashes())
			if err != nil {
				t.Fatal(err)
			}
			return l
		}()
		for _, l := range leaves[at:] {
			clone.Append(l)
			loaded.AppendHash(block.LeafHash(l))
		}
		if tree.Root() != root || tree.Size() != uint64(at) {
			t.Fatal("a clone changed its tree")
		}
		for _, l := range leaves[at:] {
			tree.Append(l)
		}
		if tree.Root() != clone.Root() || tree.Root() != loaded.Root() {
			t.Fatal("the clone or the loaded tree grew otherwise")
		}
	})
}

func TestLoadTreeRefuses(t *testing.T) {
	for _, tt := range []struct {
		size   uint64
		hashes int
	}{{0, 1}, {1, 0}, {7, 2}, {8, 3}, {1<<64 - 1, 63}} {
		if _, err := block.LoadTree(tt.size, make([][32]byte, tt.hashes)); err == nil {
			t.Errorf("%d leaves with %d hashes: accepted", tt.size, tt.hashes)
		}
	}
	if tree, err := block.LoadTree(1<<64-1, make([][32]byte, 64)); err != nil || tree.Size() != 1<<64-1 {
		t.Errorf("the largest: %v", err)
	}
}
