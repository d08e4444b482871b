package access

import (
	"hash/maphash"
	"net/netip"
	"sync"
	"time"
)

// waits makes whoever fails wait, longer each time, and never for good. Failures
// are counted in a fixed number of places, by a hash that nobody outside can
// foresee: so nothing an attacker sends fills the memory or makes it forget
// another. Two that share a place wait for each other's failures.
type waits struct {
	free    int           // failures without a wait
	longest time.Duration // of one wait
	now     func() time.Time

	mu     sync.Mutex
	seed   maphash.Seed
	places [1024]failures
}

type failures struct {
	n    int
	last time.Time // of the last failure
}

// forgiven is after how long without a failure all is forgotten.
const forgiven = time.Hour

// The waits after failures. That of an address may be long: it is one device that
// guesses. That of a name is short, for it also meets the one whose name it is,
// who then still has a device link, the answer by text and the commands; it leaves
// a guesser at most 1,440 passwords a day. (Common practice, no source.)
const (
	freeFailures  = 3
	addressWait   = 15 * time.Minute
	nameWait      = time.Minute
	firstWait     = 2 * time.Second
	tokenFailures = 10 // a mistyped link is not three in a row
)

func newWaits(now func() time.Time, free int, longest time.Duration) *waits {
	return &waits{free: free, longest: longest, now: now, seed: maphash.MakeSeed()}
}

func (w *waits) place(key string) *failures {
	p := &w.places[maphash.String(w.seed, key)%uint64(len(w.places))]
	if since := w.now().Sub(p.last); since < 0 || since >= forgiven { // a clock set back forgives too
		*p = failures{}
	}
	return p
}

// left is how long there is still to wait after the failures of a place.
func (w *waits) left(p *failures) time.Duration {
	over := p.n - w.free
	if over < 0 {
		return 0
	}
	wait := w.longest
	if over < 20 {
		wait = min(w.longest, firstWait<<over)
	}
	return max(0, wait-w.now().Sub(p.last))
}

// begin counts an attempt as failed before it is judged, so that of many at the
// same moment each counts; unless there is a wait, which it returns.
func (w *waits) begin(key string) time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	p := w.place(key)
	if left := w.left(p); left > 0 {
		return left
	}
	p.n, p.last = p.n+1, w.now()
	return 0
}

// good forgets the failures.
func (w *waits) good(key string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	*w.place(key) = failures{}
}

// addressKey is whom an address stands for: one device, or the network that one
// device is given in IPv6.
func addressKey(ip netip.Addr) string {
	ip = ip.Unmap().WithZone("")
	if ip.Is6() {
		if p, err := ip.Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}
