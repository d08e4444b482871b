package payload

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"weirkeeper/rules/measure"
)

// record is a resolved SenML record with a number.
type record struct {
	index    int // from 1
	name     string
	unit     string // label, "" when the pack gives none
	value    float64
	at       time.Time
	relative bool
	timeErr  error // the number is good, its time is not
}

// fault is what is wrong with one record; name is "" when it has none.
type fault struct {
	name string
	err  error
}

// senmlVersion is the only version of SenML there is (RFC 8428, section 4.4,
// from memory).
const senmlVersion = 10

// relativeBelow is the first absolute time in seconds: 2^28 (RFC 8428, section
// 4.5.3, from memory). Smaller ones are relative to now.
const relativeBelow = int64(1<<28) * int64(time.Second)

// senmlUnit is a unit label: base unit = value*scale + offset, then by unit.
type senmlUnit struct {
	unit          measure.Unit
	scale, offset float64
}

// senmlUnits are the labels we read. Cel, K, m3/s, l/s, kg/m3, "/" and "%" are
// in the registry, m3/h, "/100" and ppm among its secondary units (RFC 8798);
// l/min and mg/l are not registered, but probes send them (all from memory).
// "/" is a ratio: a saturation of 0.95 is 95 %.
var senmlUnits = map[string]senmlUnit{
	"Cel":   {measure.DegC, 1, 0},
	"K":     {measure.DegC, 1, -273.15},
	"m3/s":  {measure.LPS, 1000, 0},
	"l/s":   {measure.LPS, 1, 0},
	"m3/h":  {measure.LPM, 1000.0 / 60, 0},
	"l/min": {measure.LPM, 1, 0},
	"kg/m3": {measure.KgM3, 1, 0},
	"mg/l":  {measure.MgL, 1, 0},
	"mg/L":  {measure.MgL, 1, 0},
	"ppm":   {measure.MgL, 1, 0},
	"/":     {measure.PercentSat, 100, 0},
	"%":     {measure.PercentSat, 1, 0},
	"/100":  {measure.PercentSat, 1, 0},
}

// senmlLabels are the labels to advise for a dimension.
var senmlLabels = map[measure.Dimension]string{
	measure.Temperature: "Cel or K",
	measure.Flow:        "m3/s, m3/h, l/s or l/min",
	measure.Oxygen:      "kg/m3 or mg/l",
	measure.Saturation:  `"/" or "%"`,
}

func (d *Decoder) decodeSenML(b []byte, arrived time.Time) ([]Sample, []error) {
	records, faults, err := resolve(b, arrived)
	if err != nil {
		return nil, []error{&Error{Err: err}}
	}
	var samples []Sample
	var errs []error
	used := make(map[int]bool) // faults that are told as a probe's
	for i := range d.probes {
		p := &d.probes[i]
		own := 0
		for j, f := range faults {
			if p.RecordName != "" && f.name == p.RecordName {
				used[j] = true
				own++
				errs = append(errs, &Error{p.ID, f.err})
			}
		}
		chosen, err := choose(records, p)
		if err != nil && own == 0 {
			errs = append(errs, &Error{p.ID, err})
		}
		for _, r := range chosen {
			v, err := r.base(p)
			if err != nil {
				errs = append(errs, &Error{p.ID, fmt.Errorf("record %d: %w", r.index, err)})
				continue
			}
			if r.timeErr != nil {
				errs = append(errs, &Error{p.ID, r.timeErr})
			}
			samples = append(samples, Sample{Probe: p.ID, Value: v, DeviceAt: r.at, Relative: r.relative})
		}
	}
	for i, f := range faults {
		if !used[i] {
			errs = append(errs, &Error{Err: f.err})
		}
	}
	return samples, errs
}

// choose finds the records of a probe: those of its record name, or the only
// name whose unit fits.
func choose(records []record, p *probe) ([]record, error) {
	var chosen []record
	var names []string
	add := func(r record) {
		if len(names) == 0 || names[len(names)-1] != r.name {
			names = append(names, r.name)
		}
	}
	if p.RecordName != "" {
		for _, r := range records {
			add(r)
			if r.name == p.RecordName {
				chosen = append(chosen, r)
			}
		}
		if len(chosen) == 0 {
			return nil, fmt.Errorf("there is no record named %q, only %s; correct the record name in the site file", p.RecordName, list(names))
		}
		return chosen, nil
	}
	dim := p.Quantity.Dimension()
	fits := func(r record) bool { return r.unit != "" && senmlUnits[r.unit].unit.Dimension() == dim }
	bare := func(r record) bool { return r.unit == "" }
	for _, fit := range []func(record) bool{fits, bare} {
		for _, r := range records {
			if !fit(r) {
				continue
			}
			add(r)
			if r.name != names[0] {
				return nil, fmt.Errorf("records %s all could be its %s; name one with record in the site file", list(names), p.Quantity)
			}
			chosen = append(chosen, r)
		}
		if len(chosen) > 0 {
			return chosen, nil
		}
	}
	return nil, fmt.Errorf("no record is in a unit of %s (%s); send one", p.Quantity, senmlLabels[dim])
}

// base converts the record's value to the base unit of the probe's quantity.
func (r record) base(p *probe) (float64, error) {
	if r.unit == "" {
		return toBase(p.Unit, r.value)
	}
	u, ok := senmlUnits[r.unit]
	if !ok || u.unit.Dimension() != p.Quantity.Dimension() {
		return 0, fmt.Errorf("unit %s does not measure %s; send %s", Excerpt([]byte(r.unit)), p.Quantity, senmlLabels[p.Quantity.Dimension()])
	}
	return toBase(u.unit, r.value*u.scale+u.offset)
}

// resolve applies the base fields (RFC 8428, section 4.6, from memory). The
// error rejects the pack; a fault rejects one record.
func resolve(b []byte, arrived time.Time) ([]record, []fault, error) {
	doc, err := parseJSON(b)
	if err != nil {
		return nil, nil, err
	}
	pack, ok := doc.([]any)
	if !ok {
		return nil, nil, fmt.Errorf("it is %s; a SenML pack is an array of records", kind(doc))
	}
	if len(pack) == 0 || len(pack) > MaxRecords {
		return nil, nil, fmt.Errorf("it holds %d records; send 1 to %d", len(pack), MaxRecords)
	}
	var base struct {
		name, unit string
		time       int64
		value      float64
		hasValue   bool
	}
	version := 0.0
	var records []record
	var faults []fault
	for i, item := range pack {
		obj, ok := item.(map[string]any)
		if !ok {
			return nil, nil, fmt.Errorf("record %d is %s; each record is an object", i+1, kind(item))
		}
		f := fields{obj: obj}
		for label := range obj {
			if strings.HasSuffix(label, "_") {
				return nil, nil, fmt.Errorf("record %d: label %s must be understood and is not, so the pack is rejected; send it without", i+1, Excerpt([]byte(label)))
			}
		}
		if v, ok := f.number("bver"); ok {
			if version != 0 && v != version {
				return nil, nil, fmt.Errorf("record %d has version %g after %g; a pack has one version", i+1, v, version)
			}
			if v > senmlVersion || v < 1 {
				return nil, nil, fmt.Errorf("record %d has version %g; the version read here is %d", i+1, v, senmlVersion)
			}
			version = v
		}
		if v, ok := f.text("bn"); ok {
			base.name = v
		}
		if v, ok := f.text("bu"); ok {
			base.unit = v
		}
		if v, ok := f.nanos("bt"); ok {
			base.time = v
		}
		if v, ok := f.number("bv"); ok {
			base.value, base.hasValue = v, true
		}
		_, _ = f.number("bs")
		if f.err != nil {
			// A wrong base field would spoil every record after it.
			return nil, nil, fmt.Errorf("record %d: %w", i+1, f.err)
		}
		own, _ := f.text("n")
		r := record{index: i + 1, name: base.name + own, unit: base.unit}
		if v, ok := f.text("u"); ok {
			r.unit = v
		}
		offset, timed := f.nanos("t")
		_, _ = f.number("ut")
		v, hasNumber := f.number("v")
		values := 0
		for _, label := range []string{"v", "vs", "vb", "vd"} {
			if _, ok := obj[label]; ok {
				values++
			}
		}
		_, sum := f.number("s")
		if f.err == nil && own == "" && values == 0 && !sum {
			continue // it only carries base fields for the records after it
		}
		switch {
		case f.err != nil:
			err = f.err
		case !validName(r.name):
			err = fmt.Errorf("name %s is not letters, digits and - : . / _ with a letter or digit first; correct n or bn", Excerpt([]byte(r.name)))
		case values > 1:
			err = errors.New("it has more than one of v, vs, vb and vd; send one")
		case !hasNumber && (values > 0 || sum || !base.hasValue):
			err = errors.New("it has no number (v); send one")
		case math.IsInf(base.value+v, 0):
			err = errors.New("bv + v is too large to be a measurement; check the probe")
		default:
			err = nil
		}
		if err != nil {
			faults = append(faults, fault{r.name, fmt.Errorf("record %d: %w", i+1, err)})
			continue
		}
		r.value = base.value + v
		if ns := base.time + offset; timed || base.time != 0 {
			t := time.Unix(0, ns).UTC()
			if r.relative = ns < relativeBelow; r.relative {
				t = arrived.Add(time.Duration(ns)).UTC()
			}
			if sane(t) {
				r.at = t
			} else {
				r.relative = false
				r.timeErr = fmt.Errorf("record %d: its time is outside 1970 to 2100; check bt and t; the value counts as taken when it came", i+1)
			}
		}
		records = append(records, r)
	}
	return records, faults, nil
}

// fields reads the labels of one record and keeps the first fault.
type fields struct {
	obj map[string]any
	err error
}

func (f *fields) fail(label, need string) {
	if f.err == nil {
		f.err = fmt.Errorf("label %q is %s; it must be %s", label, kind(f.obj[label]), need)
	}
}

func (f *fields) text(label string) (string, bool) {
	v, present := f.obj[label]
	s, ok := v.(string)
	if present && !ok {
		f.fail(label, "a text")
	}
	return s, ok
}

func (f *fields) number(label string) (float64, bool) {
	v, present := f.obj[label]
	if !present {
		return 0, false
	}
	n, ok := v.(json.Number)
	x, err := n.Float64()
	if !ok || err != nil {
		f.fail(label, "a finite number")
		return 0, false
	}
	return x, true
}

// nanos reads seconds as nanoseconds.
func (f *fields) nanos(label string) (int64, bool) {
	v, present := f.obj[label]
	if !present {
		return 0, false
	}
	n, ok := v.(json.Number)
	ns, exact := parseScaled(n.String(), 9)
	if !ok || !exact {
		f.fail(label, "a time in seconds")
		return 0, false
	}
	return ns, true
}

func validName(name string) bool {
	for i := range len(name) {
		c := name[i]
		alnum := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !alnum && (i == 0 || !strings.ContainsRune("-:./_", rune(c))) {
			return false
		}
	}
	return name != ""
}
