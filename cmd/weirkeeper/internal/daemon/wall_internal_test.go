package daemon

import (
	"testing"
	"time"
	"unsafe"

	"weirkeeper/cmd/weirkeeper/internal/clock"
)

// setClock is the machine's clock after somebody set it: as time.Now gives it
// then, with the reading on the wall moved and the steady one beside it not.
type setClock struct {
	clock.Real
	by time.Duration
}

func (c *setClock) Now() time.Time {
	t := c.Real.Now()
	// The first word of a time.Time with a steady reading: one bit, 33 bits
	// of seconds, 30 of nanoseconds.
	w := (*uint64)(unsafe.Pointer(&t))                   //nolint:gosec // nothing else can make such a time
	*w = uint64(int64(*w) + int64(c.by/time.Second)<<30) //nolint:gosec // a step of hours fits
	return t
}

// A step must be seen although time.Now's own reading of the steady clock hides
// it from every subtraction.
func TestStepOfTheRealClock(t *testing.T) {
	c := &setClock{}
	w := newWall(c, time.Time{}, func() bool { return true })
	if got := w.check(); got != 0 {
		t.Fatalf("a step of %v out of nothing", got)
	}
	set := time.Duration(0)
	for _, to := range []time.Duration{-3 * time.Hour, 9 * time.Hour, 9 * time.Hour, 0} {
		before := w.now()
		c.by = to
		if jump := w.now().Sub(before); jump.Abs() > time.Second {
			t.Errorf("before the step is noticed the time jumps by %v", jump)
		}
		got, want := w.check(), to-set
		if (got - want).Abs() > time.Second {
			t.Errorf("from %v to %v: step %v, want %v", set, to, got, want)
		}
		if off := w.now().Sub(c.Now().Round(0)); off.Abs() > time.Second {
			t.Errorf("after the step the time is off by %v", off)
		}
		set = to
	}
}

// slowClock is asked by a process that is stopped for a while between the
// question for the one time and the other.
type slowClock struct {
	*clock.Stepped
	t     *testing.T
	stops int
}

func (c *slowClock) Now() time.Time {
	now := c.Stepped.Now()
	if c.stops > 0 {
		c.stops--
		if err := c.Advance(c.t.Context(), 10*time.Second); err != nil {
			c.t.Error(err)
		}
	}
	return now
}

func TestStopBetweenTheClocksIsNoStep(t *testing.T) {
	c := &slowClock{Stepped: clock.NewStepped(time.Date(2026, 11, 20, 22, 0, 0, 0, time.UTC)), t: t, stops: 2}
	w := newWall(c, time.Time{}, func() bool { return true })
	for range 3 {
		c.stops = 2
		if got := w.check(); got != 0 {
			t.Errorf("a step of %v", got)
		}
		if off := w.now().Sub(c.Stepped.Now()); off != 0 {
			t.Errorf("the time is off by %v", off)
		}
	}
}
