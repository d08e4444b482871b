// Package clock owns time as the daemon sees it: the real one, and a stepped
// one that moves only when it is told to, for the demo and for tests.
//
// Everything that waits takes a Clock. It does no scheduling of its own: a
// ticker is all there is, because silence is judged by ticks.
package clock

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"
)

// Clock tells the time and ticks.
type Clock interface {
	// Now is the time on the wall, which may be set and step.
	Now() time.Time
	// Mono is the time since some moment before the start. It never steps.
	Mono() time.Duration
	// Ticker ticks every d, first after d. It panics unless d > 0.
	Ticker(d time.Duration) Ticker
}

// Ticker delivers ticks until it is stopped. Stop does not close the channel
// and may be called more than once.
type Ticker interface {
	C() <-chan time.Time
	Stop()
}

// Real is the machine's clock. A slow reader of its tickers misses ticks.
type Real struct{}

// Now is the machine's time.
func (Real) Now() time.Time { return time.Now() }

// Mono is the time since the process began, by the machine's steady clock.
func (Real) Mono() time.Duration { return time.Since(began) }

var began = time.Now()

// Ticker ticks in real time.
func (Real) Ticker(d time.Duration) Ticker { return realTicker{time.NewTicker(d)} }

type realTicker struct{ t *time.Ticker }

func (r realTicker) C() <-chan time.Time { return r.t.C }
func (r realTicker) Stop()               { r.t.Stop() }

// Stepped is a clock that stands still until Advance or SetTime moves it. Safe
// for concurrent use.
type Stepped struct {
	step sync.Mutex // held by whoever moves the clock

	mu      sync.Mutex // guards the fields below
	now     time.Time
	set     time.Duration // by how much SetTime has moved it
	start   time.Time
	tickers []*steppedTicker // in order of making
}

// NewStepped returns a clock that stands at start.
func NewStepped(start time.Time) *Stepped { return &Stepped{now: start, start: start} }

// Now is the time the clock stands at.
func (s *Stepped) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// Mono is how far Advance has moved the clock.
func (s *Stepped) Mono() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now.Sub(s.start) - s.set
}

// Ticker ticks each time Advance passes another d. Its channel is unbuffered
// and no tick is ever dropped: see Advance.
func (s *Stepped) Ticker(d time.Duration) Ticker {
	if d <= 0 {
		panic(fmt.Sprintf("clock: ticker of %v: the interval must be above zero", d))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	t := &steppedTicker{clock: s, every: d, next: s.now.Add(d), c: make(chan time.Time), stopped: make(chan struct{})}
	s.tickers = append(s.tickers, t)
	return t
}

// Advance moves the clock on by d, standing at the time of each tick on the
// way (ticks of one instant in the order the tickers were made) until its
// reader has taken it or stopped the ticker. So a reader that is busy holds
// the clock still, and once Advance returns every reader has taken every tick
// and finished the one before the last. A reader must not call Advance itself.
//
// Errors: the context's, where a tick was not taken in time; the clock then
// stands at that tick, which is lost.
func (s *Stepped) Advance(ctx context.Context, d time.Duration) error {
	s.step.Lock()
	defer s.step.Unlock()
	end := s.Now().Add(d)
	for {
		t, at := s.nextTick(end)
		if t == nil {
			return nil
		}
		select {
		case t.c <- at:
		case <-t.stopped:
		case <-ctx.Done():
			return fmt.Errorf("clock: tick at %s not taken: %w", at.Format(time.RFC3339), ctx.Err())
		}
	}
}

// nextTick moves the clock to the next tick up to end and says whose it is, or
// to end when there is none.
func (s *Stepped) nextTick(end time.Time) (*steppedTicker, time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var first *steppedTicker
	for _, t := range s.tickers {
		if !t.next.After(end) && (first == nil || t.next.Before(first.next)) {
			first = t
		}
	}
	if first == nil {
		s.now = end
		return nil, end
	}
	s.now = first.next
	first.next = s.now.Add(first.every)
	return first, s.now
}

// SetTime steps the clock to t, forward or back, as setting a machine's clock
// does: nothing ticks, and every ticker keeps the wait it had left.
func (s *Stepped) SetTime(t time.Time) {
	s.step.Lock()
	defer s.step.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	by := t.Sub(s.now)
	s.now = t
	s.set += by
	for _, k := range s.tickers {
		k.next = k.next.Add(by)
	}
}

type steppedTicker struct {
	clock   *Stepped
	every   time.Duration
	next    time.Time // guarded by clock.mu
	c       chan time.Time
	once    sync.Once
	stopped chan struct{}
}

func (t *steppedTicker) C() <-chan time.Time { return t.c }

func (t *steppedTicker) Stop() {
	t.once.Do(func() {
		close(t.stopped)
		t.clock.mu.Lock()
		defer t.clock.mu.Unlock()
		t.clock.tickers = slices.DeleteFunc(t.clock.tickers, func(o *steppedTicker) bool { return o == t })
	})
}
