package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/notify"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// nightTime bounds the reading of one night's extremes: the keeper waits for it,
// once a morning.
const nightTime = 5 * time.Second

// look is what the router may ask of the water.
func (k *keeper) look(now time.Time) notify.Look {
	var stock map[string]string // looked up when it is first asked for
	return notify.Look{
		Current: func(key alarm.Key) string { return k.engine.Detail(now, key) },
		Stock: func(unit string) string {
			if stock == nil {
				stock = stockWords(k.engine.Book())
			}
			return stock[unit]
		},
		Night: k.night,
		Aside: func() []notify.Aside { return k.aside(now) },
		Blind: k.blind,
	}
}

// blind is "" while all is watched and has been for a while: probes are given the
// time to speak after a start.
func (k *keeper) blind() string {
	switch {
	case k.house != nil && k.house.well() != "":
		return k.house.well()
	case !k.steadyAt.IsZero():
		return "weirkeeper started, or its clock was set, a short while ago"
	}
	return ""
}

// aside words the pause of the site and what is shelved.
func (k *keeper) aside(now time.Time) (all []notify.Aside) {
	words := func(what string, a act.Act) string {
		s := fmt.Sprintf("%s by %s until %s", what, a.By, act.Clock(a.Until, now, k.site.Location))
		if a.Why != "" {
			s += ": " + a.Why
		}
		return s
	}
	board := k.engine.Acts()
	if a, ok := board.Paused(now); ok {
		all = append(all, notify.Aside{Words: words("the site is paused", a)})
	}
	for _, a := range board.AllShelved(now) {
		all = append(all, notify.Aside{Key: a.Alarm, Words: words(string(a.Alarm)+": shelved", a)})
	}
	return all
}

// stockWords words what each unit holds by the book: "24,000 eyed eggs".
func stockWords(b *book.Book) map[string]string {
	type pile struct{ stage, unit string }
	numbers := map[pile]int{}
	units := map[string][]string{} // the stages there, in order
	for _, s := range lot.Stages() {
		for _, l := range b.Lots() {
			if !l.Finished.IsZero() || l.Stage != s {
				continue
			}
			for _, h := range l.Holdings {
				if h.Number <= 0 {
					continue
				}
				p := pile{stageWords(s), h.Unit}
				if numbers[p] == 0 {
					units[h.Unit] = append(units[h.Unit], p.stage)
				}
				numbers[p] += h.Number
			}
		}
	}
	words := make(map[string]string, len(units))
	for unit, stages := range units {
		var parts []string
		for _, s := range stages {
			parts = append(parts, measure.Group(numbers[pile{s, unit}])+" "+s)
		}
		words[unit] = strings.Join(parts, " and ")
	}
	return words
}

func stageWords(s lot.Stage) string {
	switch s {
	case lot.Green:
		return "green eggs"
	case lot.Eyed:
		return "eyed eggs"
	case lot.Hatch:
		return "sac fry"
	case lot.SwimUp:
		return "fry"
	}
	return string(s)
}

// night gives the least and the most that temperature, flow and oxygen probes
// said in a span, by what can be used of it. What cannot be read is left out and
// logged.
func (k *keeper) night(from, to time.Time) []notify.Extreme {
	ctx, cancel := context.WithTimeout(k.life, nightTime)
	defer cancel()
	var out []notify.Extreme
	for i := range k.site.Probes {
		p := &k.site.Probes[i]
		if p.Quantity == reading.Contact {
			continue
		}
		x, err := k.extreme(ctx, p, from, to)
		if err != nil {
			k.log.Warn("night of a probe not read, the morning message goes without it", "probe", string(p.ID), "err", err)
			continue
		}
		out = append(out, x)
	}
	return out
}

func (k *keeper) extreme(ctx context.Context, p *site.Probe, from, to time.Time) (notify.Extreme, error) {
	x := notify.Extreme{Unit: p.At, Probe: string(p.ID), Quantity: p.Quantity.String()}
	var lo, hi float64
	allowed := max(2*p.Every, 2*time.Minute)
	last, heard := from, false
	gap := func(at time.Time) {
		if d := at.Sub(last); d > allowed {
			x.Silent += d
		}
		last = at
	}
	take := func(r reading.Reading) {
		if !r.Usable() || r.At.Before(from) || !r.At.Before(to) {
			return
		}
		gap(r.At)
		if !heard || r.Value < lo {
			lo, x.MinAt = r.Value, r.At
		}
		if !heard || r.Value > hi {
			hi, x.MaxAt = r.Value, r.At
		}
		heard = true
	}
	for r, err := range k.history.Readings(ctx, p.ID, from, to) {
		if err != nil {
			return x, fmt.Errorf("read %q: %w", p.ID, err)
		}
		take(r)
	}
	own := slices.DeleteFunc(slices.Clone(k.batch.Readings), func(r reading.Reading) bool { return r.Probe != p.ID })
	for _, r := range own { // not committed yet
		take(r)
	}
	gap(to)
	if heard {
		u := k.site.ShowUnit(p.Quantity)
		x.Min, x.Max = u.Format(lo), u.Format(hi)
	}
	return x, nil
}
