package envelope

import (
	"bytes"
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/binary"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Keys are the secrets of a log: the same on every node that may sequence it or take events in for it.
type Keys struct {
	Admin      ed25519.PrivateKey // signs directory and policy events
	Intake     ed25519.PrivateKey // attests for the party whose token posted
	Checkpoint ed25519.PrivateKey // signs checkpoints
	SaltSecret [32]byte           // of Salts
	HandleKey  [32]byte           // of Handle
}

// keyFolder stands in the data directory.
const keyFolder = "keys"

// The types of the PEM blocks in key files.
const (
	pemPrivateKey = "PRIVATE KEY"     // PKCS #8, as RFC 8410 lays down for Ed25519
	pemSecret     = "LOTPAPER SECRET" // 32 bytes as they are
)

// maxKeyFile is more than any key file of ours has.
const maxKeyFile = 4 << 10

// keyFile is one of the five files, with what it holds.
type keyFile struct {
	name    string
	private *ed25519.PrivateKey
	secret  *[32]byte
}

func (k *Keys) files() []keyFile {
	return []keyFile{
		{"admin.pem", &k.Admin, nil},
		{"intake.pem", &k.Intake, nil},
		{"checkpoint.pem", &k.Checkpoint, nil},
		{"salt.pem", nil, &k.SaltSecret},
		{"handle.pem", nil, &k.HandleKey},
	}
}

// LoadOrCreateKeys reads the keys from the folder "keys" in dir, or makes that folder with new ones from rand if it holds none.
//
// The files are admin.pem, intake.pem and checkpoint.pem, each one PEM block "PRIVATE KEY" with an Ed25519 key in PKCS #8 (RFC 8410), and
// salt.pem and handle.pem, each one PEM block "LOTPAPER SECRET" of 32 bytes; nothing stands before or after a block. A file that
// others than its owner may read is refused, and so is a folder in which some of the five are missing: a lost key is never
// replaced by a new one in silence. New keys appear all together, after they were written and synced, or not at all.
func LoadOrCreateKeys(dir string, rand io.Reader) (*Keys, error) {
	k, err := LoadKeys(dir)
	if !errors.Is(err, errNoKeys) {
		return k, err
	}
	k, err = newKeys(rand)
	if err != nil {
		return nil, fmt.Errorf("make keys: %w", err)
	}
	if err := k.write(dir); err != nil {
		return nil, fmt.Errorf("write keys: %w", err)
	}
	return k, nil
}

// errNoKeys says that not one of the key files is there.
var errNoKeys = fmt.Errorf("no key files: %w", fs.ErrNotExist)

// LoadKeys reads the keys as LoadOrCreateKeys does. If not one of them is there, the error is fs.ErrNotExist.
func LoadKeys(dir string) (*Keys, error) {
	folder := filepath.Join(dir, keyFolder)
	k := new(Keys)
	var missing []string
	files := k.files()
	for _, f := range files {
		err := f.read(folder)
		if errors.Is(err, fs.ErrNotExist) {
			missing = append(missing, f.name)
		} else if err != nil {
			return nil, fmt.Errorf("read key file %s: %w", filepath.Join(folder, f.name), err)
		}
	}
	switch len(missing) {
	case 0:
		return k, nil
	case len(files):
		return nil, errNoKeys
	default:
		return nil, fmt.Errorf("read keys in %s: %s missing: put back the lost files, or start with an empty folder", folder, strings.Join(missing, ", "))
	}
}

func (f keyFile) read(folder string) error {
	file, err := os.Open(filepath.Join(folder, f.name))
	if err != nil {
		return err
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("found %v, accepted is a regular file", info.Mode())
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		return fmt.Errorf("found mode %04o, accepted is 0600: nobody but the owner may read it", mode)
	}
	data, err := io.ReadAll(io.LimitReader(file, maxKeyFile))
	if err != nil {
		return err
	}
	return f.decode(data)
}

func (f keyFile) decode(data []byte) error {
	block, rest := pem.Decode(data)
	if block == nil {
		return errors.New("found no PEM block, accepted is one")
	}
	if len(rest) > 0 || !bytes.Equal(pem.EncodeToMemory(block), data) || len(block.Headers) > 0 {
		return errors.New("found more than one PEM block without headers, accepted is nothing before or after it")
	}
	if f.secret != nil {
		if block.Type != pemSecret || len(block.Bytes) != len(f.secret) {
			return fmt.Errorf("found a PEM block %s of %d bytes, accepted is %q of %d", clip(block.Type), len(block.Bytes), pemSecret, len(f.secret))
		}
		copy(f.secret[:], block.Bytes)
		return nil
	}
	if block.Type != pemPrivateKey {
		return fmt.Errorf("found a PEM block %s, accepted is %q", clip(block.Type), pemPrivateKey)
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return fmt.Errorf("read private key: %w", err)
	}
	private, ok := key.(ed25519.PrivateKey)
	if !ok {
		return fmt.Errorf("found a %T, accepted is an Ed25519 private key", key)
	}
	*f.private = private
	return nil
}

func newKeys(rand io.Reader) (*Keys, error) {
	k := new(Keys)
	for _, f := range k.files() {
		var seed [32]byte
		if _, err := io.ReadFull(rand, seed[:]); err != nil {
			return nil, err
		}
		if f.secret != nil {
			*f.secret = seed
		} else {
			*f.private = ed25519.NewKeyFromSeed(seed[:])
		}
	}
	return k, nil
}

// write puts the files into a folder beside and renames it.
func (k *Keys) write(dir string) error {
	folder := filepath.Join(dir, keyFolder)
	// An empty folder may have been made for us; one that holds other things is not ours to replace.
	if err := os.Remove(folder); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("the folder has other files than keys: %w", err)
	}
	beside := folder + ".new"
	if err := os.RemoveAll(beside); err != nil { // left by a crash, before any of it was in use
		return err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	if err := os.Mkdir(beside, 0o700); err != nil {
		return err
	}
	for _, f := range k.files() {
		data, err := f.encode()
		if err != nil {
			return err
		}
		if err := writeSynced(filepath.Join(beside, f.name), data); err != nil {
			return err
		}
	}
	if err := syncFolder(beside); err != nil {
		return err
	}
	if err := os.Rename(beside, folder); err != nil {
		return err
	}
	return syncFolder(dir)
}

func (f keyFile) encode() ([]byte, error) {
	if f.secret != nil {
		return pem.EncodeToMemory(&pem.Block{Type: pemSecret, Bytes: f.secret[:]}), nil
	}
	der, err := x509.MarshalPKCS8PrivateKey(*f.private)
	if err != nil {
		return nil, err
	}
	return pem.EncodeToMemory(&pem.Block{Type: pemPrivateKey, Bytes: der}), nil
}

func writeSynced(name string, data []byte) error {
	file, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = file.Write(data)
	return errors.Join(err, file.Sync(), file.Close())
}

func syncFolder(name string) error {
	folder, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// String keeps the secrets out of logs and messages.
func (k Keys) String() string { return "the log's keys" }

// GoString does so for %#v.
func (k Keys) GoString() string { return k.String() }

// PublicKey gives the 32 bytes of a private key's public half, as events carry them.
func PublicKey(private ed25519.PrivateKey) [32]byte {
	return [32]byte(private.Public().(ed25519.PublicKey))
}

// HandleKeyHash is the SHA-256 of the handle key, by which the log's first event pins it.
func (k *Keys) HandleKeyHash() [32]byte { return sha256.Sum256(k.HandleKey[:]) }

// Handle gives a lot's first public handle: the first 128 bits of HMAC-SHA-256(HandleKey, "lotpaper/handle/v1" ‖ lot) in base32 (RFC 4648),
// lower case, without padding: 26 characters. Without the key nobody can tell a lot from its handle, nor guess a handle.
func (k *Keys) Handle(lot string) string {
	mac := hmac.New(sha256.New, k.HandleKey[:])
	mac.Write([]byte("lotpaper/handle/v1"))
	mac.Write([]byte(lot))
	return opal.Handle([16]byte(mac.Sum(nil)[:16]))
}

// noteEd25519 is the type of an Ed25519 key in a C2SP signed note.
const noteEd25519 = 1

// CheckpointVerifierKey gives the public half of the checkpoint key as a C2SP signed note's verifier key: name ‖ "+" ‖ key id in hexadecimal ‖ "+" ‖
// base64(0x01 ‖ public key). The name is the log's origin.
func (k *Keys) CheckpointVerifierKey(origin string) string {
	public := PublicKey(k.Checkpoint)
	return fmt.Sprintf("%s+%08x+%s", origin, noteKeyID(origin, public), noteKey(public[:]))
}

// CheckpointSignerKey gives the checkpoint key in the form in which signers of notes are made, "PRIVATE+KEY+" before the same three parts with the
// seed (RFC 8032) in place of the public key. It is a secret.
func (k *Keys) CheckpointSignerKey(origin string) string {
	return fmt.Sprintf("PRIVATE+KEY+%s+%08x+%s", origin, noteKeyID(origin, PublicKey(k.Checkpoint)), noteKey(k.Checkpoint.Seed()))
}

// noteKeyID is the first 4 bytes of SHA-256(name ‖ newline ‖ type ‖ public key).
func noteKeyID(name string, public [32]byte) uint32 {
	b := append([]byte(name), '\n', noteEd25519)
	h := sha256.Sum256(append(b, public[:]...))
	return binary.BigEndian.Uint32(h[:])
}

func noteKey(key []byte) string {
	return base64.StdEncoding.EncodeToString(append([]byte{noteEd25519}, key...))
}
