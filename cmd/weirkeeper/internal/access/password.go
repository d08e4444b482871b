package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Cost is what one hash of a password costs.
type Cost struct {
	Passes    uint32
	MemoryKiB uint32
	Lanes     uint8
}

// Recommended is the second recommended option of RFC 9106 section 4, for where
// memory is short: 64 MiB, and well under a second on a small computer.
var Recommended = Cost{Passes: 3, MemoryKiB: 64 << 10, Lanes: 4}

// Lengths of salt and tag, bytes, of the same option; of a password, characters
// (NIST SP 800-63B section 5.1.1.1 asks for 8 at least; from memory), and bytes.
const (
	saltBytes        = 16
	tagBytes         = 32
	passwordLeast    = 10
	passwordMaxBytes = 256
)

// BadPasswordError says why a password is not taken.
type BadPasswordError struct{ Reason string }

func (e *BadPasswordError) Error() string { return e.Reason }

// checkPassword refuses what anybody would try first.
func checkPassword(name, password string) error {
	distinct := make(map[rune]bool)
	for _, c := range password {
		distinct[c] = true
	}
	switch {
	case !utf8.ValidString(password) || len(password) > passwordMaxBytes:
		return &BadPasswordError{fmt.Sprintf("a password is text of at most %d bytes", passwordMaxBytes)}
	case utf8.RuneCountInString(password) < passwordLeast:
		return &BadPasswordError{fmt.Sprintf("a password has %d characters at least: a few words that do not belong together are easy to remember", passwordLeast)}
	case len(distinct) < 4:
		return &BadPasswordError{"that password is the same few characters again and again: choose a few words that do not belong together"}
	case strings.Contains(strings.ToLower(password), strings.ToLower(name)) && utf8.RuneCountInString(password) < passwordLeast+utf8.RuneCountInString(name):
		return &BadPasswordError{"that password is hardly more than the name: choose a few words that do not belong together"}
	}
	return nil
}

// hasher makes and checks the hashes of passwords, few at once: each takes much
// memory.
type hasher struct {
	cost  Cost
	slots chan struct{}
	queue chan struct{} // who works or waits
	none  string        // the hash of no password, checked for unknown names
}

// Bounds of the hasher: two at once, 128 MiB; and how many wait, each for less
// than the time of a request (common practice, no source).
const (
	hashesAtOnce  = 2
	hashesWaiting = 16
)

// errBusy: more people sign in than passwords can be checked.
var errBusy = errors.New("too many people sign in at this moment; try again in a few seconds")

func newHasher(cost Cost) *hasher {
	h := &hasher{cost: cost, slots: make(chan struct{}, hashesAtOnce), queue: make(chan struct{}, hashesAtOnce+hashesWaiting)}
	// Nothing fits it but by a chance of 2^-256, and it costs what any other does.
	salt, tag := make([]byte, saltBytes), make([]byte, tagBytes)
	_, _ = rand.Read(salt) // never fails
	_, _ = rand.Read(tag)
	h.none = h.word(salt, tag)
	return h
}

// turn waits for a slot. Errors: errBusy, ctx's.
func (h *hasher) turn(ctx context.Context) (done func(), err error) {
	select {
	case h.queue <- struct{}{}:
	default:
		return nil, errBusy
	}
	select {
	case h.slots <- struct{}{}:
		return func() { <-h.slots; <-h.queue }, nil
	case <-ctx.Done():
		<-h.queue
		return nil, ctx.Err()
	}
}

// word is the PHC string of a hash.
func (h *hasher) word(salt, tag []byte) string {
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.cost.MemoryKiB, h.cost.Passes, h.cost.Lanes, b64(salt), b64(tag))
}

// hash makes the hash of a password with a salt of its own, as a PHC string.
// Errors: errBusy, ctx's.
func (h *hasher) hash(ctx context.Context, password string) (string, error) {
	done, err := h.turn(ctx)
	if err != nil {
		return "", err
	}
	defer done()
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt) // never fails
	return h.word(salt, argon2.IDKey([]byte(password), salt, h.cost.Passes, h.cost.MemoryKiB, h.cost.Lanes, tagBytes)), nil
}

// fits reports whether a password is the one of a hash; with hash "" it is none,
// and finding that out takes as long. Errors: errBusy, ctx's, of a damaged hash.
func (h *hasher) fits(ctx context.Context, hash, password string) (bool, error) {
	known := hash != ""
	if !known {
		hash = h.none
	}
	cost, salt, tag, err := readHash(hash)
	if err != nil {
		return false, err
	}
	done, err := h.turn(ctx)
	if err != nil {
		return false, err
	}
	defer done()
	got := argon2.IDKey([]byte(password), salt, cost.Passes, cost.MemoryKiB, cost.Lanes, uint32(len(tag)))
	return subtle.ConstantTimeCompare(got, tag) == 1 && known, nil
}

// Bounds of what a stored hash may cost, so that a damaged one does not take all
// the memory there is.
const (
	mostPasses    = 16
	mostMemoryKiB = 256 << 10
)

func readHash(s string) (c Cost, salt, tag []byte, err error) {
	bad := func(why string) (Cost, []byte, []byte, error) {
		return Cost{}, nil, nil, fmt.Errorf("the stored password is damaged (%s): set a new one with weirkeeper people password", why)
	}
	parts := strings.Split(s, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return bad("no argon2id hash")
	}
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &c.MemoryKiB, &c.Passes, &c.Lanes); n != 3 || err != nil ||
		c.Passes < 1 || c.Passes > mostPasses || c.MemoryKiB < 8 || c.MemoryKiB > mostMemoryKiB || c.Lanes < 1 {
		return bad("its cost")
	}
	b64 := base64.RawStdEncoding
	if salt, err = b64.DecodeString(parts[4]); err != nil || len(salt) < 8 {
		return bad("its salt")
	}
	if tag, err = b64.DecodeString(parts[5]); err != nil || len(tag) < 16 {
		return bad("its tag")
	}
	return c, salt, tag, nil
}
