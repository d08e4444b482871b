package modem

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// pinTries is how often, over restarts, a PIN is given without it being known what
// the SIM said. It takes three wrong ones; the last one is the keeper's.
const pinTries = 2

// pinFile remembers over restarts what became of giving the PIN. It holds no PIN,
// only a hash by which the same one is known again. "" remembers nothing. A SIM
// that took its PIN leaves no file.
type pinFile string

// pinRecord is what the file holds, as JSON.
type pinRecord struct {
	Salt, Hash string // in hex
	// Tries is how often it was given, Refused that the SIM said it is wrong.
	Tries   int
	Refused bool
}

func (r pinRecord) of(pin string) bool {
	return subtle.ConstantTimeCompare([]byte(r.Hash), []byte(pinHash(r.Salt, pin))) == 1
}

func pinHash(salt, pin string) string {
	sum := sha256.Sum256([]byte(salt + "\x00" + pin))
	return hex.EncodeToString(sum[:])
}

// read gives what is known of a PIN; nothing when there is no file, or one of
// another PIN.
func (f pinFile) read(pin string) (pinRecord, error) {
	var salt [16]byte
	_, _ = rand.Read(salt[:]) // never fails
	fresh := pinRecord{Salt: hex.EncodeToString(salt[:])}
	fresh.Hash = pinHash(fresh.Salt, pin)
	if f == "" {
		return fresh, nil
	}
	b, err := os.ReadFile(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return fresh, nil
	}
	var r pinRecord
	if err == nil {
		err = json.Unmarshal(b, &r)
	}
	switch {
	case err != nil:
		return fresh, fmt.Errorf("modem: what became of the SIM's PIN cannot be read: %w; remove %s when the PIN is right", err, f)
	case !r.of(pin):
		return fresh, nil
	}
	return r, nil
}

// try reports whether the PIN may be given, and has then noted, for good, that it
// is: a program that is started again and again does not lock the SIM. When that
// cannot be noted it may be given all the same, once each start: no text message
// at all is worse.
func (f pinFile) try(pin string) (bool, error) {
	r, err := f.read(pin)
	if r.Refused || r.Tries >= pinTries {
		return false, nil
	}
	r.Tries++
	return true, errors.Join(err, f.write(r))
}

// refused notes that the SIM said the PIN is wrong.
func (f pinFile) refused(pin string) error {
	r, err := f.read(pin)
	r.Refused = true
	return errors.Join(err, f.write(r))
}

// taken notes that the SIM is open.
func (f pinFile) taken() error {
	if f == "" {
		return nil
	}
	if err := os.Remove(string(f)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("modem: %w", err)
	}
	return nil
}

// write brings a record to the disk under another name first, so that the file is
// whole or as it was.
func (f pinFile) write(r pinRecord) error {
	if f == "" {
		return nil
	}
	b, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("modem: %w", err)
	}
	dir := filepath.Dir(string(f))
	t, err := os.CreateTemp(dir, filepath.Base(string(f))+".*") // for the owner alone
	if err != nil {
		return fmt.Errorf("modem: %w", err)
	}
	_, err = t.Write(append(b, '\n'))
	if err = errors.Join(err, t.Sync(), t.Close()); err == nil {
		err = os.Rename(t.Name(), string(f))
	}
	if err != nil {
		_ = os.Remove(t.Name()) // the error that counts is the first
		return fmt.Errorf("modem: %w", err)
	}
	d, err := os.Open(dir)
	if err == nil {
		err = errors.Join(d.Sync(), d.Close())
	}
	return err
}
