package payload

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Limits of one payload.
const (
	MaxBytes   = 64 << 10
	MaxDepth   = 32
	MaxRecords = 1000
)

// Sample is one value found in a payload.
type Sample struct {
	Probe reading.ProbeID
	// Value is in the base unit of the probe's quantity. Always finite.
	Value float64
	// DeviceAt is the time the payload gives, UTC; zero when it gives none.
	DeviceAt time.Time
	// Relative says that the payload gave the time relative to its arrival, so
	// that the same bytes coming again have another DeviceAt.
	Relative bool
}

// Error is what is wrong with a payload.
type Error struct {
	// Probe is the probe that gets no value (or no time) from it, "" when the
	// fault is in the payload as a whole or in a part no probe reads.
	Probe reading.ProbeID
	Err   error
}

func (e *Error) Error() string {
	if e.Probe == "" {
		return "payload: " + e.Err.Error()
	}
	return fmt.Sprintf("payload: probe %q: %v", e.Probe, e.Err)
}

func (e *Error) Unwrap() error { return e.Err }

// Excerpt quotes the beginning of a payload for a log: at most 80 bytes of it,
// with every byte that is not plain text escaped.
func Excerpt(b []byte) string {
	const most = 80
	if len(b) <= most {
		return strconv.QuoteToASCII(string(b))
	}
	return strconv.QuoteToASCII(string(b[:most])) + "..."
}

// Decoder reads the payloads of one topic. It is safe for concurrent use.
type Decoder struct {
	format site.Format
	probes []probe
}

type probe struct {
	site.Probe
	value, time []string // paths, split; time nil when none is sent
}

// NewDecoder makes the decoder of the probes that share one topic. They must
// all have the same format and each read a value of its own.
func NewDecoder(probes []site.Probe) (*Decoder, error) {
	if len(probes) == 0 {
		return nil, errors.New("payload: a topic needs at least one probe")
	}
	d := &Decoder{format: probes[0].Format}
	taken := make(map[string]reading.ProbeID)
	for _, p := range probes {
		if p.Format != d.format {
			return nil, fmt.Errorf("payload: probes %q and %q share topic %q but not the format (%s, %s); give one of them its own topic",
				probes[0].ID, p.ID, p.Topic, d.format, p.Format)
		}
		if p.Quantity != reading.Contact && p.Unit.IsZero() || p.Unit.Dimension() != p.Quantity.Dimension() {
			return nil, fmt.Errorf("payload: probe %q: unit %q does not measure %s; use one of %s",
				p.ID, p.Unit, p.Quantity, strings.Join(p.Quantity.Dimension().UnitNames(), ", "))
		}
		q := probe{Probe: p}
		var source string
		switch p.Format {
		case site.Number:
			source = "the number"
		case site.JSON:
			q.value = splitPath(p.ValuePath)
			source = fmt.Sprintf("the value at path %q", p.ValuePath)
			if p.TimePath != "" {
				q.time = splitPath(p.TimePath)
				if p.TimeFormat != site.UnixSeconds && p.TimeFormat != site.UnixMillis && p.TimeFormat != site.RFC3339 {
					return nil, fmt.Errorf("payload: probe %q: there is no time format %q; use unix, unix-ms or rfc3339", p.ID, p.TimeFormat)
				}
			}
		case site.SenML:
			if p.Quantity == reading.Contact {
				return nil, fmt.Errorf("payload: probe %q: a contact is not read from SenML; use number or json", p.ID)
			}
			source = fmt.Sprintf("record %q", p.RecordName)
			if p.RecordName == "" {
				source = fmt.Sprintf("the only record of %s", p.Quantity)
			}
		default:
			return nil, fmt.Errorf("payload: probe %q: there is no format %q; use number, json or senml", p.ID, p.Format)
		}
		if other, ok := taken[source]; ok {
			return nil, fmt.Errorf("payload: probes %q and %q would both read %s of topic %q; give one of them another path, record or topic",
				other, p.ID, source, p.Topic)
		}
		taken[source] = p.ID
		d.probes = append(d.probes, q)
	}
	return d, nil
}

// Decode reads one payload that came at arrived. It returns the samples it
// could read, in the order of the probes and of the payload, and an *Error for
// each fault; one probe's fault leaves the others alone.
func (d *Decoder) Decode(b []byte, arrived time.Time) ([]Sample, []error) {
	if len(b) > MaxBytes {
		return nil, []error{&Error{Err: fmt.Errorf("it is %d bytes long; send at most %d", len(b), MaxBytes)}}
	}
	switch d.format {
	case site.Number:
		return d.decodeNumber(b)
	case site.JSON:
		return d.decodeJSON(b)
	case site.SenML:
		return d.decodeSenML(b, arrived)
	}
	return nil, nil
}

func (d *Decoder) decodeNumber(b []byte) ([]Sample, []error) {
	p := &d.probes[0].Probe
	v, err := valueOf(p, b)
	if err != nil {
		return nil, []error{&Error{p.ID, err}}
	}
	return []Sample{{Probe: p.ID, Value: v}}, nil
}

// valueOf reads the text of one value: a number in the probe's unit, or the word
// of a contact.
func valueOf(p *site.Probe, b []byte) (float64, error) {
	if p.Quantity == reading.Contact {
		return contactOf(p, b)
	}
	v, err := parseNumber(b)
	if err != nil {
		return 0, err
	}
	return toBase(p.Unit, v)
}

// contactOf reads the word of a contact, or a number that is 0 or 1.
func contactOf(p *site.Probe, b []byte) (float64, error) {
	t := bytes.TrimSpace(b)
	v, ok := site.ContactValue(string(t))
	if !ok {
		n, err := parseNumber(t)
		if err != nil || n != reading.Open && n != reading.Closed {
			return 0, fmt.Errorf("%s is neither open nor closed; send one of %s", Excerpt(t), strings.Join(site.ContactWords(), ", "))
		}
		v = n
	}
	if p.Inverted {
		v = reading.Closed - v
	}
	return v, nil
}

// toBase converts v, refusing what does not stay finite.
func toBase(u measure.Unit, v float64) (float64, error) {
	base := u.ToBase(v)
	if math.IsInf(base, 0) || math.IsNaN(base) {
		return 0, fmt.Errorf("%g %s is too large to be a measurement; check the probe", v, u)
	}
	return base, nil
}

// parseNumber reads a decimal number with white space around it. Bytes are
// counted from 1 in its errors.
func parseNumber(b []byte) (float64, error) {
	t := bytes.TrimSpace(b)
	if len(t) == 0 {
		return 0, errors.New("it is empty; send a number, such as 12.3")
	}
	start := bytes.IndexByte(b, t[0])
	for i, c := range t {
		if (c >= '0' && c <= '9') || c == '.' || c == '-' || c == '+' || c == 'e' || c == 'E' {
			continue
		}
		at := start + i + 1
		if c == ',' {
			return 0, fmt.Errorf("byte %d is a comma; write the decimals after a point, as in 12.3", at)
		}
		return 0, fmt.Errorf("byte %d (%q) does not belong to a number; send the number alone, such as 12.3", at, c)
	}
	v, err := strconv.ParseFloat(string(t), 64)
	if err != nil {
		if errors.Is(err, strconv.ErrRange) {
			return 0, fmt.Errorf("%s is too large for a number; check the probe", Excerpt(t))
		}
		return 0, fmt.Errorf("%s is not a number; send one such as 12.3", Excerpt(t))
	}
	return v, nil
}

// The span of device times that are passed on; whether one is believed is
// decided by package ingest. Times outside are a fault of the payload.
var (
	earliest = time.Unix(0, 0)
	latest   = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

func sane(t time.Time) bool { return !t.Before(earliest) && t.Before(latest) }

// parseScaled reads a decimal number times 10^shift, rounded towards zero to a
// whole number, exactly: a float64 cannot hold the nanoseconds of our century.
// The result is below 4.5e18 either way, so that two can be added.
func parseScaled(s string, shift int) (int64, bool) {
	neg := strings.HasPrefix(s, "-")
	s = strings.TrimPrefix(s, "-")
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		exp, err := strconv.Atoi(s[i+1:])
		if err != nil || exp > 30 || exp < -30 {
			return 0, false
		}
		s, shift = s[:i], shift+exp
	}
	whole, frac, _ := strings.Cut(s, ".")
	digits := whole + frac
	if len(digits) == 0 || len(digits) > 60 {
		return 0, false
	}
	for _, c := range []byte(digits) {
		if c < '0' || c > '9' {
			return 0, false
		}
	}
	if keep := len(whole) + shift; keep <= 0 {
		digits = "0"
	} else if keep < len(digits) {
		digits = digits[:keep]
	} else {
		digits += strings.Repeat("0", keep-len(digits))
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil || n > 4_500_000_000_000_000_000 {
		return 0, false
	}
	if neg {
		n = -n
	}
	return n, true
}
