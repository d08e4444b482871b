package sim

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Sample is a value a probe found, in the base unit of its quantity.
type Sample struct {
	Probe site.Probe
	Value float64
}

// makes is how well the probes of each quantity are made, in its base unit:
// common practice, no source.
var makes = map[reading.Quantity]struct {
	digit             float64 // the least difference it can tell
	noise, noiseShare float64 // standard deviation, and as a share of the value: the greater counts
	drift, driftShare float64 // what a drift of severity 1 comes to, and as a share of the value
}{
	reading.Temperature: {digit: 0.01, noise: 0.015, drift: 4},
	reading.Flow:        {digit: 0.1, noise: 0.15, noiseShare: 0.005, driftShare: -1},
	reading.Oxygen:      {digit: 0.01, noise: 0.04, drift: -4},
	reading.Saturation:  {digit: 0.1, noise: 0.4, drift: -40},
	reading.Contact:     {digit: 1},
}

// Encode writes the payload of one message in the format of its probes, all of
// one topic: values in the probe's unit with the digits it can tell apart, and
// the time where the format carries one. A SenML record always uses the SenML
// unit of its quantity: "Cel", "m3/s", "kg/m3", or "/" for saturation as a
// ratio.
//
// Errors: no sample, formats that differ, several numbers in one "number"
// payload, or JSON paths that exclude each other.
func Encode(at time.Time, samples ...Sample) ([]byte, error) {
	if len(samples) == 0 {
		return nil, fmt.Errorf("sim: encode: no sample")
	}
	first := samples[0].Probe
	for _, s := range samples {
		if s.Probe.Format != first.Format {
			return nil, fmt.Errorf("sim: encode: probes %q and %q share a topic but write %s and %s", first.ID, s.Probe.ID, first.Format, s.Probe.Format)
		}
	}
	switch first.Format {
	case site.Number:
		if len(samples) > 1 {
			return nil, fmt.Errorf("sim: encode: probes %q and %q cannot share a payload of one number", first.ID, samples[1].Probe.ID)
		}
		return []byte(number(samples[0], samples[0].Probe.Unit)), nil
	case site.JSON:
		return encodeJSON(at, samples)
	case site.SenML:
		return encodeSenML(at, samples)
	}
	return nil, fmt.Errorf("sim: encode: probe %q has the unknown format %q", first.ID, first.Format)
}

// number writes a sample in a unit, with as many digits as the probe's least
// difference is worth there.
func number(s Sample, u measure.Unit) json.Number {
	if s.Probe.Quantity == reading.Contact {
		return decimal(s.Value, 0)
	}
	digits := math.Ceil(-math.Log10(u.DeltaFromBase(makes[s.Probe.Quantity].digit)) - 1e-9)
	return decimal(u.FromBase(s.Value), max(int(digits), 0))
}

func decimal(v float64, digits int) json.Number {
	text := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return json.Number(text)
}

func encodeJSON(at time.Time, samples []Sample) ([]byte, error) {
	var root any
	for _, s := range samples {
		p := s.Probe
		if err := put(&root, p.ValuePath, number(s, p.Unit), false); err != nil {
			return nil, fmt.Errorf("sim: encode: probe %q: %w", p.ID, err)
		}
		if p.TimePath == "" {
			continue
		}
		var when any
		switch p.TimeFormat {
		case site.UnixSeconds:
			when = seconds(at)
		case site.UnixMillis:
			when = at.UnixMilli()
		case site.RFC3339:
			when = at.UTC().Format(time.RFC3339Nano)
		default:
			return nil, fmt.Errorf("sim: encode: probe %q has the unknown time format %q", p.ID, p.TimeFormat)
		}
		if err := put(&root, p.TimePath, when, true); err != nil {
			return nil, fmt.Errorf("sim: encode: probe %q: %w", p.ID, err)
		}
	}
	return json.Marshal(root)
}

// seconds writes a time as Unix seconds, to the millisecond.
func seconds(at time.Time) json.Number {
	return json.Number(strconv.FormatFloat(float64(at.UnixMilli())/1000, 'f', -1, 64))
}

// put sets the value at a dotted path, where a part that is a number is an
// index into an array. Probes may share a place only for the same value.
func put(node *any, path string, v any, shared bool) error {
	if path == "" {
		if *node != nil && (!shared || *node != v) {
			return fmt.Errorf("its place in the payload is taken")
		}
		*node = v
		return nil
	}
	part, rest, _ := strings.Cut(path, ".")
	if i, err := strconv.Atoi(part); err == nil && i >= 0 && i < 1000 {
		list, ok := (*node).([]any)
		if !ok && *node != nil {
			return fmt.Errorf("%q is an array in its path and something else in another", path)
		}
		for len(list) <= i {
			list = append(list, nil)
		}
		*node = list
		return put(&list[i], rest, v, shared)
	}
	object, ok := (*node).(map[string]any)
	if !ok && *node != nil {
		return fmt.Errorf("%q is an object in its path and something else in another", path)
	}
	if object == nil {
		object = make(map[string]any)
		*node = object
	}
	child := object[part]
	if err := put(&child, rest, v, shared); err != nil {
		return err
	}
	object[part] = child
	return nil
}

func encodeSenML(at time.Time, samples []Sample) ([]byte, error) {
	type record struct {
		Name  string      `json:"n"`
		Unit  string      `json:"u"`
		Time  json.Number `json:"t"`
		Value json.Number `json:"v"`
	}
	var pack []record
	for _, s := range samples {
		r := record{Name: s.Probe.RecordName, Time: seconds(at)}
		if r.Name == "" {
			r.Name = senmlName(string(s.Probe.ID))
		}
		switch s.Probe.Quantity {
		case reading.Temperature:
			r.Unit, r.Value = "Cel", number(s, measure.DegC)
		case reading.Flow:
			r.Unit, r.Value = "m3/s", decimal(s.Value/60000, 6)
		case reading.Oxygen:
			r.Unit, r.Value = "kg/m3", number(s, measure.KgM3)
		case reading.Saturation:
			r.Unit, r.Value = "/", decimal(s.Value/100, 3)
		case reading.Contact:
			return nil, fmt.Errorf("sim: encode: probe %q: a contact is not sent as SenML", s.Probe.ID)
		}
		pack = append(pack, r)
	}
	return json.Marshal(pack)
}

// senmlName makes a name of the characters SenML allows.
func senmlName(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < 128 && (r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-:./_", r)) {
			return r
		}
		return '-'
	}, s)
	return "probe-" + s
}
