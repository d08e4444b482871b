package rules

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// The running median against a plain one over the slots kept: values in runs of
// the same number, pauses, and steps.
func TestMedianWindow(t *testing.T) {
	for seed := range uint64(20) {
		rnd := rand.New(rand.NewPCG(seed, 4))
		m := newMedianWindow(2 * time.Hour)
		now := time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)
		type value struct {
			at time.Time
			v  float64
		}
		var closed []value
		level := 8.0
		var last value
		for i := range 2000 {
			step := m.slot + time.Duration(rnd.Int64N(int64(3*time.Minute))) // each value closes the slot before it
			if rnd.IntN(200) == 0 {
				step += 3 * time.Hour
			}
			if rnd.IntN(100) == 0 {
				level = 6 + 4*rnd.Float64()
			}
			now = now.Add(step)
			v := value{now, level + float64(rnd.IntN(4))/10}
			m.forget(now.Add(-m.length))
			m.add(v.at, v.v)
			if i > 0 {
				closed = append(closed, last)
			}
			last = v
			closed = slices.DeleteFunc(closed, func(c value) bool { return c.at.Before(now.Add(-m.length)) })

			var plain []float64
			for _, c := range closed {
				plain = append(plain, c.v)
			}
			slices.Sort(plain)
			n := len(plain)
			wantOK := n >= 8 && closed[n-1].at.Sub(closed[0].at) >= m.length/4
			got, ok := m.median()
			if ok != wantOK {
				t.Fatalf("seed %d, value %d: ok %v, want %v", seed, i, ok, wantOK)
			}
			if ok && got != (plain[(n-1)/2]+plain[n/2])/2 {
				t.Fatalf("seed %d, value %d: median %v of %v", seed, i, got, plain)
			}
		}
	}
}

// A fast probe costs no more memory than a slow one: its values are averaged.
func TestMedianWindowIsBounded(t *testing.T) {
	m := newMedianWindow(24 * time.Hour)
	now := time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)
	for i := range 3 * 86400 {
		at := now.Add(time.Duration(i) * time.Second)
		m.forget(at.Add(-m.length))
		m.add(at, 8+float64(i%2))
	}
	if len(m.ring) > medianSlots+1 || len(m.sorted) != len(m.ring) {
		t.Errorf("%d slots kept, %d sorted", len(m.ring), len(m.sorted))
	}
	if v, ok := m.median(); !ok || v != 8.5 {
		t.Errorf("median %v %v, want the mean of a slot, 8.5", v, ok)
	}
}
