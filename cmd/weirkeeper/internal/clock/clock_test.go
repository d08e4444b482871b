package clock_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/clock"
)

var (
	_ clock.Clock = clock.Real{}
	_ clock.Clock = (*clock.Stepped)(nil)

	start = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)
)

// tick is one tick as its reader got it.
type tick struct {
	Who string
	At  time.Duration // since start
}

// read takes ticks of both tickers until stop is called, which returns them.
func read(fast, slow clock.Ticker) (stop func() []tick) {
	var got []tick
	quit, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case at := <-fast.C():
				got = append(got, tick{"fast", at.Sub(start)})
			case at := <-slow.C():
				got = append(got, tick{"slow", at.Sub(start)})
			case <-quit:
				return
			}
		}
	}()
	return func() []tick {
		close(quit)
		<-done
		return got
	}
}

func TestAdvanceDeliversEveryTickInOrder(t *testing.T) {
	c := clock.NewStepped(start)
	fast, slow := c.Ticker(10*time.Second), c.Ticker(15*time.Second)
	stop := read(fast, slow)
	// In pieces that do not fit the intervals.
	for _, d := range []time.Duration{7 * time.Second, 20 * time.Second, 4 * time.Second} {
		if err := c.Advance(t.Context(), d); err != nil {
			t.Fatal(err)
		}
	}
	want := []tick{
		{"fast", 10 * time.Second},
		{"slow", 15 * time.Second},
		{"fast", 20 * time.Second},
		{"fast", 30 * time.Second}, // made before slow
		{"slow", 30 * time.Second},
	}
	if diff := cmp.Diff(want, stop()); diff != "" {
		t.Errorf("ticks (-want +got):\n%s", diff)
	}
	if now := c.Now(); !now.Equal(start.Add(31 * time.Second)) {
		t.Errorf("now %v, want 31 s after start", now)
	}
}

func TestAdvanceStandsAtATickNobodyTakes(t *testing.T) {
	c := clock.NewStepped(start)
	c.Ticker(10 * time.Second)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := c.Advance(ctx, time.Minute); !errors.Is(err, context.Canceled) {
		t.Fatalf("error %v, want the context's", err)
	}
	if now := c.Now(); !now.Equal(start.Add(10 * time.Second)) {
		t.Errorf("now %v, want 10 s after start", now)
	}
}

func TestStoppedTickerHoldsNothingUp(t *testing.T) {
	c := clock.NewStepped(start)
	early := c.Ticker(10 * time.Second)
	early.Stop()
	early.Stop()
	late := c.Ticker(10 * time.Second)
	result := make(chan error)
	go func() { result <- c.Advance(t.Context(), time.Minute) }()
	<-late.C() // Advance now waits, or soon will, for the second tick
	late.Stop()
	if err := <-result; err != nil {
		t.Fatal(err)
	}
	if now := c.Now(); !now.Equal(start.Add(time.Minute)) {
		t.Errorf("now %v, want a minute after start", now)
	}
}

func TestSetTimeKeepsTheWaitLeft(t *testing.T) {
	for _, tc := range []struct {
		name string
		by   time.Duration
	}{
		{"forward", 24 * time.Hour},
		{"back", -24 * time.Hour},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := clock.NewStepped(start)
			fast, slow := c.Ticker(10*time.Second), c.Ticker(15*time.Second)
			stop := read(fast, slow)
			if err := c.Advance(t.Context(), 4*time.Second); err != nil {
				t.Fatal(err)
			}
			c.SetTime(c.Now().Add(tc.by))
			if err := c.Advance(t.Context(), 11*time.Second); err != nil {
				t.Fatal(err)
			}
			want := []tick{{"fast", tc.by + 10*time.Second}, {"slow", tc.by + 15*time.Second}}
			if diff := cmp.Diff(want, stop()); diff != "" {
				t.Errorf("ticks (-want +got):\n%s", diff)
			}
		})
	}
}

func TestTickerRefusesNoInterval(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a ticker of 0 was made")
		}
	}()
	clock.NewStepped(start).Ticker(0)
}

func TestRealTicks(t *testing.T) {
	before := time.Now()
	k := clock.Real{}.Ticker(time.Millisecond)
	defer k.Stop()
	if at := <-k.C(); at.Before(before) {
		t.Errorf("tick at %v, before the ticker was made at %v", at, before)
	}
	if now := (clock.Real{}).Now(); now.Before(before) {
		t.Errorf("now %v is before %v", now, before)
	}
}
