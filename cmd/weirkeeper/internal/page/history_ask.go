package page

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// ranged is what a link asks History for.
type ranged struct {
	Probes   []*site.Probe
	From, To time.Time
	Now      time.Time
	// Last is how long the range is where it ends now, as in "24h"; "" where it
	// has a fixed end.
	Last string
}

const (
	probesMost  = 6
	rangeLeast  = time.Minute
	rangeMost   = 10 * 366 * 24 * time.Hour
	defaultLast = "24h"
	formStamp   = "2006-01-02T15:04"
)

// lasts are the ranges up to now that the page offers.
var lasts = []string{"6h", "24h", "7d", "30d", "365d"}

// settled reports whether hardly anything more will come to be in the range.
func (a *ranged) settled() bool { return a.To.Before(a.Now.Add(-time.Hour)) }

// probe finds a probe of the site file, or the thermometer read by hand in a
// unit.
func (h *History) probe(id reading.ProbeID) *site.Probe {
	if p, ok := h.Site.Probe(id); ok {
		return p
	}
	if unit, ok := strings.CutPrefix(string(id), string(site.HandProbe(""))); ok {
		if _, ok := h.Site.Unit(unit); ok {
			return &site.Probe{ID: id, Quantity: reading.Temperature, At: unit, Every: 24 * time.Hour}
		}
	}
	return nil
}

// ask reads a query: probe, several times, and from and to, or last. The problem
// is "" or says what would be right; what was understood is asked for all the
// same.
func (h *History) ask(q url.Values, l Language) (a ranged, problem string) {
	a.Now = h.Now().UTC()
	for _, name := range q["probe"] {
		p := h.probe(reading.ProbeID(name))
		switch {
		case p == nil:
			problem = l.Text("history.noprobe", name)
			if s := measure.Suggest(name, h.names()); s != "" {
				problem = l.Text("history.didyoumean", name, s)
			}
		case slices.ContainsFunc(a.Probes, func(o *site.Probe) bool { return o.ID == p.ID }):
		case len(a.Probes) == probesMost:
			problem = l.Text("history.toomany", probesMost)
		default:
			a.Probes = append(a.Probes, p)
		}
	}
	if len(a.Probes) == 0 {
		if p, ok := h.Site.SpringProbe(reading.Temperature); ok {
			a.Probes = append(a.Probes, p)
		} else if len(h.Site.Probes) > 0 {
			a.Probes = append(a.Probes, &h.Site.Probes[0])
		}
	}
	last := func(text string) bool {
		d, ok := parseLast(text)
		a.Last, a.From, a.To = text, a.Now.Add(-d), a.Now
		return ok
	}
	from, to := q.Get("from"), q.Get("to")
	if from == "" && to == "" {
		text := q.Get("last")
		if text == "" {
			text = defaultLast
		}
		if !last(text) {
			problem = l.Text("history.badlast", text)
			last(defaultLast)
		}
		return a, problem
	}
	var ok [2]bool
	a.From, ok[0] = h.parseTime(from)
	if a.To, ok[1] = a.Now, to == ""; to != "" {
		a.To, ok[1] = h.parseTime(to)
	}
	switch {
	case !ok[0]:
		problem = l.Text("history.badtime", from)
	case !ok[1]:
		problem = l.Text("history.badtime", to)
	case a.To.Sub(a.From) < rangeLeast:
		problem = l.Text("history.tooshort")
	case a.To.Sub(a.From) > rangeMost:
		problem = l.Text("history.toolong")
	default:
		return a, problem
	}
	last(defaultLast)
	return a, problem
}

// names are those of all probes, with the thermometers read by hand.
func (h *History) names() (names []string) {
	for i := range h.Site.Probes {
		names = append(names, string(h.Site.Probes[i].ID))
	}
	for i := range h.Site.Units {
		names = append(names, string(site.HandProbe(h.Site.Units[i].Name)))
	}
	return names
}

// parseLast reads "6h" or "30d".
func parseLast(text string) (time.Duration, bool) {
	if len(text) < 2 || len(text) > 6 {
		return 0, false
	}
	n, err := strconv.Atoi(text[:len(text)-1])
	unit, known := map[byte]time.Duration{'h': time.Hour, 'd': 24 * time.Hour}[text[len(text)-1]]
	d := time.Duration(n) * unit
	return d, err == nil && known && n > 0 && d <= rangeMost
}

// parseTime reads a time as links and forms write it.
func (h *History) parseTime(text string) (time.Time, bool) {
	for _, layout := range []string{time.RFC3339Nano, formStamp, "2006-01-02T15:04:05", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, h.Site.Location); err == nil {
			return t.UTC(), t.Year() > 1970 && t.Year() < 9999
		}
	}
	return time.Time{}, false
}

// query writes what was asked for, with another range.
func (a *ranged) query(from, to time.Time, loc *time.Location) url.Values {
	q := a.probeQuery()
	q.Set("from", from.In(loc).Format(time.RFC3339))
	q.Set("to", to.In(loc).Format(time.RFC3339))
	return q
}

func (a *ranged) probeQuery() url.Values {
	q := url.Values{}
	for _, p := range a.Probes {
		q.Add("probe", string(p.ID))
	}
	return q
}

// step is the range after one of the steps that the page offers; it never ends
// after now. ok is false where it would stay as it is.
func (a *ranged) step(name string) (from, to time.Time, ok bool) {
	length := a.To.Sub(a.From)
	from, to = a.From, a.To
	switch name {
	case "earlier":
		from, to = from.Add(-length/2), to.Add(-length/2)
	case "later":
		from, to = from.Add(length/2), to.Add(length/2)
	case "closer":
		from, to = from.Add(length/4), to.Add(-length/4)
	case "wider":
		from, to = from.Add(-length/2), to.Add(length/2)
	}
	if to.After(a.Now) && to.After(a.To) {
		from, to = from.Add(-to.Sub(a.Now)), a.Now
		if to.Before(a.To) { // it reaches beyond now already
			from, to = a.From, a.To
		}
	}
	from, to = from.Truncate(time.Second), to.Truncate(time.Second)
	if d := to.Sub(from); d < rangeLeast || d > rangeMost {
		return a.From, a.To, false
	}
	return from, to, from.Sub(a.From).Abs() > time.Second || to.Sub(a.To).Abs() > time.Second
}
