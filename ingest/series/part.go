package series

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"github.com/nakabonne/tstorage"

	"weirkeeper/rules/reading"
)

// The series of a part. tstorage compresses times whose rhythm changes little,
// in steps of 9 to 17 bits a time up to a change of 2,048 units, beyond which one
// costs 68; a value costs 1 bit if it is that of the point before, else 66. Most
// readings are a few milliseconds off their rhythm, so At is split into
// milliseconds and the rest; each is cheap, while microseconds at once would
// cost as much as the value.
//
// "By number" means that the timestamp is the number of the reading in the
// part, from 1. In every series the timestamps rise strictly: tstorage gives
// points of one time in no certain order.
const (
	// One point, which comes first: tstorage drops what is older than that
	// without a word.
	seriesFormat = "format"
	// The value at its time: milliseconds since the period began, plus 1.
	seriesValue = "value"
	// By number: the values of readings in the same millisecond as the one
	// before.
	seriesSame = "same millisecond"
	// The microseconds: from one timestamp to the next is 1 plus the
	// microseconds that a reading has over its millisecond. The value is the
	// number of the reading it begins with; those before have none over.
	seriesMicros = "microseconds"
	// By number: the flags from here on, 0 before the first.
	seriesFlags = "flags"
	// By number: where they do not follow from At and the flags; the
	// value's bits are microseconds since 1970.
	seriesArrived = "arrived at"
	seriesDevice  = "device at"
)

// partRows is how many readings a part holds at most; more only if so many are
// of one time.
const partRows = 1 << 16

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// canonical is what a sealed reading knows of r.
func canonical(r reading.Reading) reading.Reading {
	c := reading.Reading{Probe: r.Probe, At: micros(r.At), Value: r.Value, Flags: r.Flags, DeviceAt: deviceAt(r.At, r.Flags)}
	c.ArrivedAt = c.At
	if r.Flags&(reading.Late|reading.OutOfOrder|reading.FutureTime) != 0 && !r.ArrivedAt.IsZero() {
		c.ArrivedAt = micros(r.ArrivedAt)
	}
	if !r.DeviceAt.IsZero() {
		c.DeviceAt = micros(r.DeviceAt)
	}
	return c
}

// deviceAt is the device time that follows from At and the flags.
func deviceAt(at time.Time, f reading.Flags) time.Time {
	if f.Has(reading.DeviceTimed) {
		return micros(at)
	}
	return time.Time{}
}

func micros(t time.Time) time.Time { return time.UnixMicro(t.UnixMicro()).UTC() }

// addSum adds a reading to a checksum of readings.
func addSum(sum uint32, r reading.Reading) uint32 {
	var b [18]byte
	binary.LittleEndian.PutUint64(b[:], uint64(r.At.UnixMicro()))
	binary.LittleEndian.PutUint64(b[8:], math.Float64bits(r.Value))
	binary.LittleEndian.PutUint16(b[16:], uint16(r.Flags))
	return crc32.Update(sum, castagnoli, b[:])
}

// faults collects what tstorage only tells its logger, such as a failed write.
type faults []string

func (f *faults) Printf(format string, v ...any) {
	*f = append(*f, strings.TrimSpace(fmt.Sprintf(format, v...)))
}

func openStorage(dir string, log tstorage.Logger) (tstorage.Storage, error) {
	return tstorage.NewStorage(tstorage.WithDataPath(dir), tstorage.WithLogger(log),
		tstorage.WithWALBufferedSize(-1), // none
		tstorage.WithTimestampPrecision(tstorage.Milliseconds),
		tstorage.WithPartitionDuration(math.MaxInt64), tstorage.WithRetention(math.MaxInt64)) // 292 years
}

// partWriter writes one part. Readings are added in order of time; equal ones
// must have been left out.
type partWriter struct {
	dir    string
	base   int64 // start of the period, microseconds
	st     tstorage.Storage
	faults faults
	batch  []tstorage.Row
	part   part

	ms         int64 // of the last reading, since base
	micros     int64 // the last timestamp of seriesMicros
	microsFrom int64
	flags      reading.Flags
}

func newPart(dir, name string, probe reading.ProbeID, from time.Time) (*partWriter, error) {
	w := &partWriter{
		dir: filepath.Join(dir, name), base: from.UnixMicro(),
		batch: make([]tstorage.Row, 0, 1024), part: part{Name: name, Probe: probe}, ms: -1,
	}
	var err error
	if w.st, err = openStorage(w.dir, &w.faults); err != nil {
		return nil, err
	}
	return w, w.put(seriesFormat, 1, formatVersion)
}

// full reports whether a reading of that time belongs into the next part.
func (w *partWriter) full(at time.Time) bool {
	return w.part.Rows >= partRows && at.After(w.part.Last)
}

func (w *partWriter) add(r reading.Reading) error {
	r = canonical(r)
	if w.part.Rows == 0 {
		w.part.First = r.At
	}
	w.part.Rows++
	w.part.Last, w.part.Sum = r.At, addSum(w.part.Sum, r)
	n := int64(w.part.Rows)
	since := r.At.UnixMicro() - w.base
	ms, rest := since/1000, since%1000

	var err error
	put := func(series string, t int64, v float64) { err = errors.Join(err, w.put(series, t, v)) }
	if ms != w.ms {
		put(seriesValue, ms+1, r.Value)
	} else {
		put(seriesSame, n, r.Value)
	}
	w.ms = ms
	if rest != 0 && w.microsFrom == 0 {
		w.microsFrom = n
	}
	if w.microsFrom != 0 {
		w.micros += 1 + rest
		put(seriesMicros, w.micros, float64(w.microsFrom))
	}
	if r.Flags != w.flags {
		put(seriesFlags, n, float64(r.Flags))
		w.flags = r.Flags
	}
	if !r.ArrivedAt.Equal(r.At) {
		put(seriesArrived, n, math.Float64frombits(uint64(r.ArrivedAt.UnixMicro())))
	}
	if !r.DeviceAt.Equal(deviceAt(r.At, r.Flags)) {
		put(seriesDevice, n, math.Float64frombits(uint64(r.DeviceAt.UnixMicro())))
	}
	return err
}

func (w *partWriter) put(series string, t int64, v float64) error {
	w.batch = append(w.batch, tstorage.Row{Metric: series, DataPoint: tstorage.DataPoint{Timestamp: t, Value: v}})
	if len(w.batch) < cap(w.batch) {
		return nil
	}
	return w.insert()
}

func (w *partWriter) insert() error {
	err := w.st.InsertRows(w.batch)
	w.batch = w.batch[:0]
	return err
}

// close writes the part to its folder. It is not synced.
func (w *partWriter) close() (part, error) {
	var err error
	if len(w.batch) > 0 {
		err = w.insert()
	}
	err = errors.Join(err, w.st.Close(), release(w.st, true))
	if err == nil && len(w.faults) > 0 {
		err = errors.New(strings.Join(w.faults, "; "))
	}
	if err == nil {
		w.part.Files, err = sumFiles(w.dir)
	}
	return w.part, err
}

// errDamaged: the files are not as they were when they were sealed.
var errDamaged = errors.New("damaged")

func damaged(format string, a ...any) error {
	return fmt.Errorf("%w: %s", errDamaged, fmt.Sprintf(format, a...))
}

// points are the points of one series of a part.
type points []*tstorage.DataPoint

// sealedRows are the readings of a part, in memory as tstorage gives them.
type sealedRows struct {
	probe                                         reading.ProbeID
	base                                          int64
	value, same, micros, flags, arrived, deviceAt points
}

// openPart checks a part's files and opens them.
// Errors: errDamaged.
func openPart(dir string, p part) (tstorage.Storage, error) {
	dir = filepath.Join(dir, p.Name)
	found, err := sumFiles(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, damaged("%v", err)
	}
	if err != nil {
		return nil, err
	}
	if err := sameFiles(p.Files, found); err != nil {
		return nil, fmt.Errorf("part %s: %w", p.Name, err)
	}
	return openStorage(dir, new(faults))
}

// readRows reads an open part and releases it.
// Errors: errDamaged.
func readRows(st tstorage.Storage, from time.Time, p part) (rows *sealedRows, err error) {
	defer func() { err = errors.Join(err, release(st, false)) }()
	// A page of a mapped file that cannot be read is a panic in this
	// goroutine for as long as this is set, and not the end of the process.
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			rows, err = nil, damaged("tstorage cannot read it: %v", p)
		}
	}()
	rows = &sealedRows{probe: p.Probe, base: from.UnixMicro()}
	for _, s := range []struct {
		name string
		into *points
	}{
		{seriesValue, &rows.value},
		{seriesSame, &rows.same},
		{seriesMicros, &rows.micros},
		{seriesFlags, &rows.flags},
		{seriesArrived, &rows.arrived},
		{seriesDevice, &rows.deviceAt},
	} {
		if *s.into, err = st.Select(s.name, nil, 1, math.MaxInt64); err != nil && !errors.Is(err, tstorage.ErrNoDataPoints) {
			return nil, damaged("part %s: %v", p.Name, err)
		}
	}
	if n := len(rows.value) + len(rows.same); n != p.Rows {
		return nil, damaged("part %s holds %d readings, not %d", p.Name, n, p.Rows)
	}
	return rows, nil
}

// take gives the first point if it is of reading number n, and moves on.
func (p *points) take(n int64) (float64, bool) {
	if len(*p) == 0 || (*p)[0].Timestamp != n {
		return 0, false
	}
	v := (*p)[0].Value
	*p = (*p)[1:]
	return v, true
}

// all yields the readings with At >= from (microseconds), in order.
func (s sealedRows) all(from int64) func(yield func(reading.Reading) bool) {
	return func(yield func(reading.Reading) bool) {
		micro := func(v float64) time.Time { return time.UnixMicro(int64(math.Float64bits(v))).UTC() }
		var ms, last int64
		microsFrom := int64(math.MaxInt64)
		if len(s.micros) > 0 {
			microsFrom = int64(s.micros[0].Value)
		}
		r := reading.Reading{Probe: s.probe}
		for n := int64(1); len(s.value)+len(s.same) > 0; n++ {
			v, same := s.same.take(n)
			if !same {
				if len(s.value) == 0 {
					return
				}
				ms, v = s.value[0].Timestamp-1, s.value[0].Value
				s.value = s.value[1:]
			}
			at := s.base + ms*1000
			if n >= microsFrom && len(s.micros) > 0 {
				at += s.micros[0].Timestamp - last - 1
				last = s.micros[0].Timestamp
				s.micros = s.micros[1:]
			}
			if f, ok := s.flags.take(n); ok {
				r.Flags = reading.Flags(f)
			}
			arrived, late := s.arrived.take(n)
			device, odd := s.deviceAt.take(n)
			if at < from {
				continue
			}
			r.At, r.Value = time.UnixMicro(at).UTC(), v
			r.ArrivedAt, r.DeviceAt = r.At, deviceAt(r.At, r.Flags)
			if late {
				r.ArrivedAt = micro(arrived)
			}
			if odd {
				r.DeviceAt = micro(device)
			}
			if !yield(r) {
				return
			}
		}
	}
}
