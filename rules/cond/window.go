package cond

import (
	"math"
	"slices"
	"time"
)

// Slots is how many parts a window is kept in at most. A window that holds no
// more readings than that is exact; in a longer one, readings that lie within the
// same part are one to its edges and its median, so that the mean of a day costs
// no more than that of ten minutes.
const Slots = 256

// Window is what a probe said within a time before its newest reading: those not
// older than Over, the one exactly that old left out. What it says depends only
// on the readings in it, not on what came before, so that a restart changes
// nothing.
type Window struct {
	over, slot int64 // nanoseconds
	origin     int64 // of the slots, follows the clock
	ring       []part
	head, n    int
	newest     float64
	newestAt   int64
	keepMedian bool
	sorted     []float64                            // means of all parts but the newest
	known      struct{ mean, extremes, stdev bool } // of these readings
	mean       float64
	count      float64
	low, high  float64
	stdev      float64
}

// part is the readings of one slot.
type part struct {
	index            int64
	at               int64 // of the first
	n                float64
	first            float64
	mean, m2         float64 // m2: sum of squares about the mean
	lowest, greatest float64
}

// NewWindow makes an empty window, over more than zero.
func NewWindow(over time.Duration) *Window {
	return &Window{over: int64(over), slot: int64(max(over/Slots, time.Second))}
}

// Over is its length.
func (w *Window) Over() time.Duration { return time.Duration(w.over) }

// KeepMedian makes Median work; call it before the first Add.
func (w *Window) KeepMedian() { w.keepMedian = true }

func (w *Window) part(i int) *part {
	if i += w.head; i >= len(w.ring) {
		i -= len(w.ring)
	}
	return &w.ring[i]
}

// Add takes the newest reading. One that claims to be older than the last is
// taken to be as old.
func (w *Window) Add(at time.Time, v float64) {
	t := at.UnixNano()
	if w.n > 0 {
		t = max(t, w.newestAt)
	}
	w.newest, w.newestAt = v, t
	w.known.mean, w.known.extremes, w.known.stdev = false, false, false
	for w.n > 0 && w.part(0).at <= t-w.over {
		w.drop()
	}
	index := (t - w.origin) / w.slot
	if w.n == 0 || w.part(w.n-1).index != index {
		w.open(index, t, v)
		return
	}
	p := w.part(w.n - 1)
	p.n++
	d := v - p.mean
	p.mean += d / p.n
	p.m2 += d * (v - p.mean)
	p.lowest, p.greatest = min(p.lowest, v), max(p.greatest, v)
}

// drop forgets the oldest part.
func (w *Window) drop() {
	if w.keepMedian && w.n > 1 {
		i, _ := slices.BinarySearch(w.sorted, w.part(0).mean)
		w.sorted = slices.Delete(w.sorted, i, i+1)
	}
	w.head, w.n = (w.head+1)%len(w.ring), w.n-1
}

func (w *Window) open(index, t int64, v float64) {
	if w.keepMedian && w.n > 0 {
		m := w.part(w.n - 1).mean
		i, _ := slices.BinarySearch(w.sorted, m)
		w.sorted = slices.Insert(w.sorted, i, m)
	}
	if w.n == len(w.ring) {
		ring := make([]part, max(8, 2*w.n))
		for i := range w.n {
			ring[i] = *w.part(i)
		}
		w.ring, w.head = ring, 0
	}
	w.n++
	*w.part(w.n - 1) = part{index: index, at: t, n: 1, first: v, mean: v, lowest: v, greatest: v}
}

// Shift moves its times with the clock.
func (w *Window) Shift(by time.Duration) {
	w.origin += int64(by)
	w.newestAt += int64(by)
	for i := range w.ring {
		w.ring[i].at += int64(by)
	}
}

// Ready reports whether the readings span at least half of the window: fewer say
// nothing of it. The others below are to be asked only then.
func (w *Window) Ready() bool { return w.n > 1 && w.newestAt-w.part(0).at >= w.over/2 }

// Mean is the mean of its readings.
func (w *Window) Mean() float64 {
	if !w.known.mean {
		n, sum := 0.0, 0.0 // oldest part first, so that it rounds the same each time
		for i := range w.n {
			p := w.part(i)
			n += p.n
			sum += p.n * p.mean
		}
		w.known.mean, w.mean, w.count = true, sum/n, n
	}
	return w.mean
}

// Stdev is the sample standard deviation of its readings.
func (w *Window) Stdev() float64 {
	if !w.known.stdev {
		mean, squares := w.Mean(), 0.0
		for i := range w.n {
			p := w.part(i)
			squares += p.m2 + p.n*(p.mean-mean)*(p.mean-mean)
		}
		w.known.stdev, w.stdev = true, math.Sqrt(squares/(w.count-1))
	}
	return w.stdev
}

// Min is the least reading.
func (w *Window) Min() float64 { w.extremes(); return w.low }

// Max is the greatest reading.
func (w *Window) Max() float64 { w.extremes(); return w.high }

func (w *Window) extremes() {
	if w.known.extremes {
		return
	}
	w.known.extremes = true
	w.low, w.high = math.Inf(1), math.Inf(-1)
	for i := range w.n {
		p := w.part(i)
		if p.lowest < w.low {
			w.low = p.lowest
		}
		if p.greatest > w.high {
			w.high = p.greatest
		}
	}
}

// Change is the newest reading less the oldest.
func (w *Window) Change() float64 { return w.newest - w.part(0).first }

// Median is the median of its readings, or of the means of its parts where
// several readings lie in one.
func (w *Window) Median() float64 {
	last := w.part(w.n - 1).mean
	at, _ := slices.BinarySearch(w.sorted, last)
	kth := func(k int) float64 {
		switch {
		case k < at:
			return w.sorted[k]
		case k == at:
			return last
		}
		return w.sorted[k-1]
	}
	if w.n%2 == 1 {
		return kth(w.n / 2)
	}
	return (kth(w.n/2-1) + kth(w.n/2)) / 2
}
