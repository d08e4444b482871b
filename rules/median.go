package rules

import (
	"slices"
	"time"
)

// medianSlots is how many means a window keeps at most: one a minute over a
// day.
const medianSlots = 1440

// medianWindow is the running median of a probe's recent values. Values are
// averaged in slots so that a fast probe costs no more than a slow one. Whoever
// adds also forgets.
type medianWindow struct {
	length, slot time.Duration
	ring         []slotMean // oldest first
	sorted       []float64
	open         slotMean
	sum          float64
	n            int
}

type slotMean struct {
	at time.Time // start of the slot
	v  float64
}

func newMedianWindow(length time.Duration) *medianWindow {
	return &medianWindow{length: length, slot: max(length/medianSlots, time.Second)}
}

// add takes a value at a time not before the last one.
func (m *medianWindow) add(at time.Time, v float64) {
	if m.n > 0 && at.Sub(m.open.at) >= m.slot {
		m.close()
	}
	if m.n == 0 {
		m.open.at = at
	}
	m.sum += v
	m.n++
}

func (m *medianWindow) close() {
	m.open.v = m.sum / float64(m.n)
	m.ring = append(m.ring, m.open)
	i, _ := slices.BinarySearch(m.sorted, m.open.v)
	m.sorted = slices.Insert(m.sorted, i, m.open.v)
	m.sum, m.n = 0, 0
}

// forget drops the slots that began before a time.
func (m *medianWindow) forget(before time.Time) {
	k := 0
	for k < len(m.ring) && m.ring[k].at.Before(before) {
		i, _ := slices.BinarySearch(m.sorted, m.ring[k].v)
		m.sorted = slices.Delete(m.sorted, i, i+1)
		k++
	}
	if k > 0 {
		m.ring = slices.Delete(m.ring, 0, k)
	}
}

// shift moves the window's times.
func (m *medianWindow) shift(by time.Duration) {
	m.open.at = m.open.at.Add(by)
	for i := range m.ring {
		m.ring[i].at = m.ring[i].at.Add(by)
	}
}

// median is the median of the closed slots; ok is false until they span a
// quarter of the window with at least eight of them, for a median of less says
// nothing of what is usual.
func (m *medianWindow) median() (v float64, ok bool) {
	n := len(m.sorted)
	if n < 8 || m.ring[n-1].at.Sub(m.ring[0].at) < m.length/4 {
		return 0, false
	}
	if n%2 == 1 {
		return m.sorted[n/2], true
	}
	return (m.sorted[n/2-1] + m.sorted[n/2]) / 2, true
}
