package payload

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

func splitPath(path string) []string {
	if path == "" {
		return []string{}
	}
	return strings.Split(path, ".")
}

// parseJSON reads one JSON value with numbers kept as written.
func parseJSON(b []byte) (any, error) {
	if at := tooDeep(b); at > 0 {
		return nil, fmt.Errorf("byte %d: JSON nested more than %d deep; send a flatter object", at, MaxDepth)
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		var syntax *json.SyntaxError
		switch {
		case errors.As(err, &syntax):
			return nil, fmt.Errorf("byte %d: %s; send JSON", syntax.Offset, strings.TrimPrefix(syntax.Error(), "json: "))
		case len(bytes.TrimSpace(b)) == 0:
			return nil, errors.New("it is empty; send JSON")
		case errors.Is(err, io.ErrUnexpectedEOF):
			return nil, fmt.Errorf("byte %d: the JSON ends too early; send it whole", len(b))
		default:
			return nil, fmt.Errorf("%w; send JSON", err)
		}
	}
	if rest := bytes.TrimSpace(b[dec.InputOffset():]); len(rest) > 0 {
		return nil, fmt.Errorf("byte %d: %s after the end of the JSON; send one value", len(b)-len(rest)+1, Excerpt(rest))
	}
	return v, nil
}

// tooDeep returns the place (from 1) where nesting passes MaxDepth, or 0.
func tooDeep(b []byte) int {
	depth, quoted := 0, false
	for i := 0; i < len(b); i++ {
		switch c := b[i]; {
		case quoted && c == '\\':
			i++
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '[' || c == '{':
			if depth++; depth > MaxDepth {
				return i + 1
			}
		case c == ']' || c == '}':
			depth--
		}
	}
	return 0
}

func (d *Decoder) decodeJSON(b []byte) ([]Sample, []error) {
	doc, err := parseJSON(b)
	if err != nil {
		return nil, []error{&Error{Err: err}}
	}
	var samples []Sample
	var errs []error
	for i := range d.probes {
		p := &d.probes[i]
		v, err := valueAt(doc, p)
		if err != nil {
			errs = append(errs, &Error{p.ID, err})
			continue
		}
		s := Sample{Probe: p.ID, Value: v}
		if p.time != nil {
			if s.DeviceAt, err = timeAt(doc, p.time, p.TimeFormat); err != nil {
				errs = append(errs, &Error{p.ID, fmt.Errorf("%w; the value counts as taken when it came", err)})
			}
		}
		samples = append(samples, s)
	}
	return samples, errs
}

// at follows a path. Its errors say where the path ends and what is there.
func at(doc any, path []string) (any, error) {
	for i, step := range path {
		switch node := doc.(type) {
		case map[string]any:
			v, ok := node[step]
			if !ok {
				return nil, fmt.Errorf("path %q: %s has no %q, only %s; correct the path in the site file",
					strings.Join(path, "."), place(path[:i]), step, list(slices.Sorted(maps.Keys(node))))
			}
			doc = v
		case []any:
			n, err := strconv.Atoi(step)
			if err != nil || n < 0 || n >= len(node) {
				return nil, fmt.Errorf("path %q: %s is an array of %d, and %q is not an index into it; count from 0",
					strings.Join(path, "."), place(path[:i]), len(node), step)
			}
			doc = node[n]
		default:
			return nil, fmt.Errorf("path %q: %s is %s, so it has no %q; correct the path in the site file",
				strings.Join(path, "."), place(path[:i]), kind(doc), step)
		}
	}
	return doc, nil
}

func place(path []string) string {
	if len(path) == 0 {
		return "the payload"
	}
	return strconv.Quote(strings.Join(path, "."))
}

// list names at most eight things.
func list(names []string) string {
	if len(names) == 0 {
		return "nothing"
	}
	more := ""
	if len(names) > 8 {
		more = fmt.Sprintf(" and %d more", len(names)-8)
		names = names[:8]
	}
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = Excerpt([]byte(n))
	}
	return strings.Join(quoted, ", ") + more
}

func kind(v any) string {
	switch v := v.(type) {
	case nil:
		return "null"
	case bool:
		return strconv.FormatBool(v)
	case string:
		return "the text " + Excerpt([]byte(v))
	case json.Number:
		return "the number " + Excerpt([]byte(v))
	case []any:
		return fmt.Sprintf("an array of %d", len(v))
	case map[string]any:
		return "an object"
	}
	return fmt.Sprintf("%T", v)
}

func valueAt(doc any, p *probe) (float64, error) {
	path := p.value
	v, err := at(doc, path)
	if err != nil {
		return 0, err
	}
	var text string
	switch v := v.(type) {
	case json.Number:
		text = v.String()
	case string:
		text = v
	case bool:
		if p.Quantity != reading.Contact {
			return 0, fmt.Errorf("%s is %s; a number is needed there", place(path), kind(v))
		}
		text = strconv.FormatBool(v)
	default:
		return 0, fmt.Errorf("%s is %s; a number is needed there", place(path), kind(v))
	}
	f, err := valueOf(&p.Probe, []byte(text))
	if err != nil {
		return 0, fmt.Errorf("%s is %s: %w", place(path), kind(v), err)
	}
	return f, nil
}

func timeAt(doc any, path []string, format site.TimeFormat) (time.Time, error) {
	v, err := at(doc, path)
	if err != nil {
		return time.Time{}, err
	}
	var text string
	switch v := v.(type) {
	case json.Number:
		text = v.String()
	case string:
		text = strings.TrimSpace(v)
	default:
		return time.Time{}, fmt.Errorf("%s is %s; a time (%s) is needed there", place(path), kind(v), format)
	}
	bad := func(advice string) (time.Time, error) {
		return time.Time{}, fmt.Errorf("%s is %s, which is not a time (%s) from 1970 to 2100; %s", place(path), kind(v), format, advice)
	}
	var t time.Time
	switch format {
	case site.RFC3339:
		if t, err = time.Parse(time.RFC3339, text); err != nil {
			return bad("write it as 2026-11-20T18:00:00Z")
		}
	case site.UnixSeconds, site.UnixMillis:
		shift := 9
		if format == site.UnixMillis {
			shift = 6
		}
		ns, ok := parseScaled(text, shift)
		if !ok || !sane(time.Unix(0, ns)) {
			if ms, ok := parseScaled(text, 6); ok && sane(time.Unix(0, ms)) {
				return bad(`it looks like milliseconds: write time_format = "unix-ms"`)
			}
			return bad("correct the path or the time format in the site file")
		}
		t = time.Unix(0, ns)
	}
	if !sane(t) {
		return bad("check the probe's clock")
	}
	return t.UTC(), nil
}
