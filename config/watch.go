package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/watchlist"
)

// holidayWord stands among the days of a watch for the holidays.
const holidayWord = "holiday"

// weekDays reads days of the week, and in a watch holidays; "Mon" is "mon".
func weekDays(b *hclread.Block, attr string, known []string) (week [7]bool, holiday, ok bool) {
	names, ok := b.Names(attr)
	for _, n := range names {
		switch i := slices.Index(known, strings.ToLower(n.Value)); {
		case i < 0:
			b.Add(hclread.Unknown(n.Range, "day", n.Value, known))
			ok = false
		case known[i] == holidayWord:
			holiday = true
		default:
			week[i] = true
		}
	}
	if ok && len(names) == 0 {
		b.Fault(b.Rng(attr), "No day", fmt.Sprintf(`Write at least one day, such as %s = ["sat", "sun"], or delete the line.`, attr))
		ok = false
	}
	return week, holiday, ok
}

// watchList reads who is on call when, nil without watch blocks; b is the call_out
// block, or nil. It proves that every minute has somebody.
func (p *parser) watchList(b *hclread.Block) *watchlist.List {
	before := p.faults()
	blocks := p.file.Named("watch")
	l := &watchlist.List{Location: p.c.Site.Location}
	var holidayWatch *hclread.Block
	var everyDay []int
	for i, w := range blocks {
		watch := watchlist.Watch{Name: w.Name()}
		if w.Has("days") {
			var holiday bool
			watch.Days.Week, holiday, _ = weekDays(w, "days", append(slices.Clone(weekdays), holidayWord))
			if watch.Days.Holiday = holiday; holiday && holidayWatch == nil {
				holidayWatch = w
			}
		} else {
			watch.Days.Week = [7]bool{true, true, true, true, true, true, true}
			everyDay = append(everyDay, i)
		}
		watch.From, _ = w.HourOfDay("from")
		watch.To, _ = w.HourOfDay("to")
		if w.Need("people", `["kim", "rowan"]`) {
			var ok bool
			if watch.People, ok = p.onCall(w, "people"); ok && len(watch.People) == 0 {
				w.Fault(w.Rng("people"), "Nobody on watch", "Write at least one name, or delete the whole block.")
			}
		}
		w.Done()
		l.Watches = append(l.Watches, watch)
	}
	if holidayWatch != nil {
		for _, i := range everyDay {
			l.Watches[i].Days.Holiday = true // every day is holidays too
		}
	}
	p.holidays(b, l, holidayWatch)
	l.Swaps = p.swaps(l)
	written := b != nil && b.Has("fallback")
	l.Fallback = p.c.CallOut.People
	if written {
		var ok bool
		if l.Fallback, ok = p.onCall(b, "fallback"); ok && len(l.Fallback) == 0 {
			b.Fault(b.Rng("fallback"), "Nobody to fall back on", "When nobody is on watch somebody has to be called. Write at least one name, or delete the line to call everybody in call_out.")
		}
	}
	if len(p.file.Blocks("watch")) == 0 {
		if written && !p.file.Broken() {
			b.Fault(b.Rng("fallback"), "No watch", `fallback says who is called when nobody is on watch, and there is no watch. Add a block such as watch "nights", or delete the line: everybody is called.`)
		}
		return nil
	}
	if p.faults() == before && !p.file.Broken() {
		p.gap(b, blocks[0], l, written)
	}
	return l
}

// holidays reads the days on which only the watches for holidays begin.
func (p *parser) holidays(b *hclread.Block, l *watchlist.List, watch *hclread.Block) {
	if b == nil || !b.Has("holidays") {
		if watch != nil && !p.file.Broken() {
			watch.Warn(watch.Rng("days"), "No holidays", `Nothing says which days are holidays. Write them into call_out, such as holidays = ["12-25", "2027-03-26"], or delete "holiday" here.`)
		}
		return
	}
	names, _ := b.Names("holidays")
	for _, n := range names {
		d, ok := parseDate(n.Value)
		if !ok {
			b.Fault(n.Range, "Not a day", fmt.Sprintf(`%q is no day of the calendar. Write it like "2026-12-25", or "12-25" for every year.`, n.Value))
			continue
		}
		l.Holidays = append(l.Holidays, watchlist.Date{Year: d.Year, Month: d.Month, Day: d.Day})
	}
	if watch == nil && !p.file.Broken() {
		b.Warn(b.Rng("holidays"), "Holidays like any other day", `No watch is for holidays, so they change nothing. Write "holiday" into the days of a watch, or delete the line.`)
	}
}

// onCall reads people who are to be called, and reports those who cannot be.
func (p *parser) onCall(b *hclread.Block, attr string) ([]string, bool) {
	names, ok := b.Names(attr)
	var out []string
	for _, n := range names {
		good := p.callable(b, n)
		ok = ok && good
		out = append(out, n.Value)
	}
	return out, ok
}

// callable reports a name that stands for nobody who is called.
func (p *parser) callable(b *hclread.Block, n hclread.Name) bool {
	var all []string
	for _, pn := range p.c.People {
		all = append(all, pn.Name)
	}
	switch {
	case p.file.Broken():
		return true
	case p.person(n.Value) == nil:
		b.Add(hclread.Unknown(n.Range, "person", n.Value, all))
	case !slices.Contains(p.c.CallOut.People, n.Value):
		b.Fault(n.Range, "Not called out", fmt.Sprintf("%q is not among the people of call_out, and is told of nothing. Add the name there, or write another one here.", n.Value))
	case p.deaf[n.Value] != "":
		b.Fault(n.Range, "Nothing reaches this person", fmt.Sprintf("%q cannot be called: %s. Add that block, or another way to reach %q.", n.Value, p.deaf[n.Value], n.Value))
	default:
		return true
	}
	return false
}

// swaps reads who stands in for whom.
func (p *parser) swaps(l *watchlist.List) (out []watchlist.Swap) {
	blocks := p.file.Named("swap")
	if len(blocks) > 0 && len(p.file.Blocks("watch")) == 0 && !p.file.Broken() {
		blocks[0].Fault(blocks[0].DefRange(), "No watch", `A swap changes who is on watch, and there is no watch. Add a block such as watch "nights", or delete this one.`)
	}
	var lines []int
	for _, b := range blocks {
		var s watchlist.Swap
		var fromOK, toOK bool
		b.Need("from", `"2026-12-01 19:00"`)
		s.From, fromOK = b.Moment("from", p.c.Site.Location)
		b.Need("to", `"2026-12-08 07:00"`)
		s.To, toOK = b.Moment("to", p.c.Site.Location)
		name := func(attr, example string) string {
			b.Need(attr, example)
			if who, ok := filled(b, attr); ok && p.callable(b, hclread.Name{Value: who, Range: b.Rng(attr)}) {
				return who
			}
			return ""
		}
		s.Off, s.On = name("off", `"kim"`), name("on", `"rowan"`)
		switch {
		case fromOK && toOK && !s.From.Before(s.To):
			b.Fault(b.Rng("to"), "Wrong order", "The swap ends before it begins. Write to later than from.")
		case toOK && !s.To.After(p.opt.Now):
			b.Warn(b.DefRange(), "Swap in the past", measure.Capital(b.What())+" is over. Delete it when you like.")
		}
		switch {
		case s.Off == "" || s.On == "":
		case s.Off == s.On:
			b.Fault(b.Rng("on"), "Nothing to swap", "The same person is off and on. Write who comes instead.")
		case !slices.ContainsFunc(l.Watches, func(w watchlist.Watch) bool { return slices.Contains(w.People, s.Off) }) && len(l.Watches) > 0 && !p.file.Broken() &&
			!slices.ContainsFunc(out, func(o watchlist.Swap) bool { return o.On == s.Off && o.From.Before(s.To) && s.From.Before(o.To) }):
			b.Warn(b.Rng("off"), "Never on watch", fmt.Sprintf("No watch has %q, so this swap changes nothing. Write somebody who is on watch.", s.Off))
		}
		if i := slices.IndexFunc(out, func(o watchlist.Swap) bool { return o.Off == s.Off && o.From.Before(s.To) && s.From.Before(o.To) }); i >= 0 && s.Off != "" && fromOK && toOK {
			b.Fault(b.Rng("off"), "Swapped twice", fmt.Sprintf("%q is off already at that time by the swap at line %d. Write times that do not overlap.", s.Off, lines[i]))
		}
		b.Done()
		out, lines = append(out, s), append(lines, b.DefRange().Start.Line)
	}
	return out
}

// provenYears is for how long somebody is proven to be on watch: after that many
// years the days of the week fall on the same dates again, so a file that is right
// stays so.
const provenYears = 28

// gap reports the first time in which nobody is on watch.
func (p *parser) gap(b, first *hclread.Block, l *watchlist.List, written bool) {
	end := p.opt.Now.AddDate(provenYears, 0, 0)
	g, found := l.FirstGap(p.opt.Now, end)
	if !found {
		return
	}
	when := fmt.Sprintf("From %s on nobody is on watch for %s", g.From.In(l.Location).Format("Monday 2006-01-02 15:04"), lasting(g.To.Sub(g.From)))
	quoted := make([]string, len(l.Fallback))
	for i, n := range l.Fallback {
		quoted[i] = strconv.Quote(n)
	}
	if written {
		rest := ""
		if len(quoted) > 1 {
			rest = ", and after that " + strings.Join(quoted[1:], ", ")
		}
		b.Warn(b.Rng("fallback"), "Gap in the watch list", fmt.Sprintf("%s; then %s is called first%s. Write a watch for these hours if somebody else should be.", when, quoted[0], rest))
		return
	}
	first.Fault(first.DefRange(), "Gap in the watch list", fmt.Sprintf("%s. Write a watch for these hours, or say in call_out who is called then: fallback = [%s].", when, strings.Join(quoted, ", ")))
}

// lasting words a length to the minute.
func lasting(d time.Duration) string {
	if d = d.Round(time.Minute); d < 2*time.Minute {
		return "1 min"
	}
	return measure.FormatDuration(d)
}
