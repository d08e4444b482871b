package replay

import (
	"iter"
	"slices"
	"time"

	"weirkeeper/rules/reading"
)

// Stream is one probe's readings in order of At.
type Stream = iter.Seq2[reading.Reading, error]

// Slice is a stream of readings that are in memory.
func Slice(rs []reading.Reading) Stream {
	return func(yield func(reading.Reading, error) bool) {
		for _, r := range rs {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// chunk is how many readings of a stream are fetched at once; fetching one by
// one costs more than all the rest.
const chunk = 256

// ahead is how far a device's clock may be ahead of ours: a reading may arrive
// that much before its own time (ingest.Options.FutureTolerance, with room).
const ahead = 5 * time.Minute

// source is a stream, put in order of arrival as it is read.
type source struct {
	pull  func() ([]reading.Reading, error, bool)
	stop  func()
	rows  []reading.Reading // from head on in order of arrival
	head  int
	sure  int       // those before it are whole: none that arrived before can follow
	until time.Time // the newest At read
	ended bool
	err   error
}

func newSource(s Stream) *source {
	next, stop := iter.Pull2(func(yield func([]reading.Reading, error) bool) {
		buf := make([]reading.Reading, 0, chunk)
		for r, err := range s {
			if err != nil {
				yield(buf, err)
				return
			}
			if buf = append(buf, r); len(buf) == chunk {
				if !yield(buf, nil) {
					return
				}
				buf = buf[:0]
			}
		}
		yield(buf, nil)
	})
	return &source{pull: next, stop: stop}
}

// front is the next reading by arrival; nil at the end or after an error.
func (s *source) front() *reading.Reading {
	for s.head == s.sure && s.err == nil && (!s.ended || s.head < len(s.rows)) {
		s.fill()
	}
	if s.head == s.sure || s.err != nil {
		return nil
	}
	return &s.rows[s.head]
}

func (s *source) fill() {
	if s.ended {
		s.sure = len(s.rows)
		return
	}
	s.rows = slices.Delete(s.rows, 0, s.head)
	s.head, s.sure = 0, 0
	more, err, ok := s.pull()
	s.err = err
	if !ok {
		s.ended, s.sure = true, len(s.rows)
		return
	}
	for i := range more {
		r := &more[i]
		if r.At.After(s.until) {
			s.until = r.At
		}
		if imported(r) {
			r.Flags &^= reading.Late
		}
		if n := len(s.rows); n == 0 || !s.rows[n-1].ArrivedAt.After(r.ArrivedAt) {
			s.rows = append(s.rows, *r)
			continue
		}
		at, _ := slices.BinarySearchFunc(s.rows, r, func(a reading.Reading, b *reading.Reading) int {
			if a.ArrivedAt.After(b.ArrivedAt) {
				return 1
			}
			return -1
		})
		s.rows = slices.Insert(s.rows, at, *r)
	}
	whole := s.until.Add(-ahead)
	for s.sure < len(s.rows) && s.rows[s.sure].ArrivedAt.Before(whole) {
		s.sure++
	}
}

// imported tells a reading from a logger's table: it is marked late and came at
// its own time, which no message does.
func imported(r *reading.Reading) bool {
	return r.Flags.Has(reading.Late|reading.DeviceTimed) && r.ArrivedAt.Equal(r.At)
}

// merger gives the readings of many streams by arrival.
type merger struct {
	sources []*source
	heap    []entry
}

type entry struct {
	arrived, at int64 // Unix nanoseconds
	source      int
}

func (a entry) before(b entry) bool {
	if a.arrived != b.arrived {
		return a.arrived < b.arrived
	}
	if a.at != b.at {
		return a.at < b.at
	}
	return a.source < b.source
}

func newMerger(streams []Stream) (*merger, error) {
	m := &merger{}
	for i, st := range streams {
		s := newSource(st)
		m.sources = append(m.sources, s)
		r := s.front()
		if s.err != nil {
			m.close()
			return nil, s.err
		}
		if r != nil {
			m.heap = append(m.heap, entry{r.ArrivedAt.UnixNano(), r.At.UnixNano(), i})
		}
	}
	for i := len(m.heap)/2 - 1; i >= 0; i-- {
		m.down(i)
	}
	return m, nil
}

func (m *merger) close() {
	for _, s := range m.sources {
		s.stop()
	}
}

// front is the next reading, nil at the end. It is valid until advance.
func (m *merger) front() *reading.Reading {
	if len(m.heap) == 0 {
		return nil
	}
	s := m.sources[m.heap[0].source]
	return &s.rows[s.head]
}

// advance goes on to the next reading. Errors: those of the streams.
func (m *merger) advance() error {
	i := m.heap[0].source
	s := m.sources[i]
	s.head++
	r := s.front()
	if r == nil {
		if s.err != nil {
			return s.err
		}
		last := len(m.heap) - 1
		m.heap[0] = m.heap[last]
		m.heap = m.heap[:last]
	} else {
		m.heap[0] = entry{r.ArrivedAt.UnixNano(), r.At.UnixNano(), i}
	}
	m.down(0)
	return nil
}

func (m *merger) down(i int) {
	h := m.heap
	for {
		c := 2*i + 1
		if c >= len(h) {
			return
		}
		if c+1 < len(h) && h[c+1].before(h[c]) {
			c++
		}
		if !h[c].before(h[i]) {
			return
		}
		h[i], h[c] = h[c], h[i]
		i = c
	}
}
