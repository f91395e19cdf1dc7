package eventlog

import (
	"crypto/ed25519"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// CheckSigners judges whose keys signed an envelope, for an event that gets that position: each key must be in the directory and not
// revoked by then, and at least one must speak for the envelope's party: its own signing key, or an intake key, by which the
// service attests that the party's token posted. The signatures themselves are not checked here, they do not depend on the state: see
// CheckSignatures.
//
// The third result is an error of the state.
func CheckSigners(v State, env *envelope.Envelope, position uint64) (refusal *fault.Error, err error) {
	speaks := false
	for i := range env.Signatures {
		id := env.Signatures[i].KeyID
		field := fmt.Sprintf("signatures[%d].keyId", i)
		holder, key, err := findKey(v, id)
		if err != nil {
			return nil, err
		}
		if key == nil {
			return fault.New(fault.UnknownKey, field, "found the key %s, accepted is one that the directory has", id), nil
		}
		if key.RevokedAt != nil && *key.RevokedAt < position {
			return fault.New(fault.KeyRevoked, field, "found the key %s of %s, which was revoked at position %d", id, holder, *key.RevokedAt), nil
		}
		switch key.Use {
		case opal.UseIntake:
			speaks = speaks || holder == opal.Admin
		case opal.UseSign:
			speaks = speaks || holder == env.Payload.Party
		default:
			return fault.New(fault.UnknownKey, field, "found the key %s, whose use is %s; accepted is one for signing", id, key.Use), nil
		}
	}
	if !speaks {
		return fault.New(fault.UnknownKey, "signatures", "found no signature by a key of %s or of the intake, accepted is at least one", env.Payload.Party), nil
	}
	return nil, nil
}

// findKey looks a key up in the directory; nil: nobody has it.
func findKey(v State, id string) (holder string, key *account.Key, err error) {
	holder, err = v.KeyHolder(id)
	if err != nil || holder == "" {
		return "", nil, err
	}
	p, err := v.Party(holder)
	if err != nil || p == nil {
		return "", nil, err
	}
	for i := range p.Keys {
		if p.Keys[i].ID == id {
			return holder, &p.Keys[i], nil
		}
	}
	return "", nil, nil
}

// CheckSignatures verifies an envelope's signatures with the keys of a directory that knows them all.
func CheckSignatures(v State, env *envelope.Envelope) error {
	var stateErr error
	ok, err := env.Check(func(id string) (ed25519.PublicKey, bool) {
		_, key, err := findKey(v, id)
		if err != nil || key == nil {
			stateErr = err
			return nil, false
		}
		return key.Public[:], true
	})
	switch {
	case stateErr != nil:
		return stateErr
	case err != nil:
		return err
	case len(ok) != len(env.Signatures):
		return fault.New(fault.UnknownKey, "signatures", "found %d signatures, of which %d are by keys of the directory", len(env.Signatures), len(ok))
	}
	return nil
}

// CheckOpening verifies the envelope of the log's first event: its keys are in no directory yet, they come with the event. It must be
// signed by the admin key that it names, and by no other.
func CheckOpening(env *envelope.Envelope, opened *opal.LogOpened) error {
	ok, err := env.Check(func(id string) (ed25519.PublicKey, bool) {
		public := ed25519.PublicKey(opened.AdminKey[:])
		return public, id == envelope.KeyID(public)
	})
	switch {
	case err != nil:
		return err
	case env.Payload.Party != opal.Admin:
		return fault.New(fault.NotAllowed, "party", "found %q, accepted is %q for the event that opens a log", env.Payload.Party, opal.Admin)
	case len(ok) == 0 || len(ok) != len(env.Signatures):
		return fault.New(fault.UnknownKey, "signatures", "found %d signatures, accepted is one, by the admin key that the event names", len(env.Signatures))
	}
	return nil
}
