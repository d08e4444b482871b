package rules

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
	"weirkeeper/rules/stock"
)

// notice is news of a lot for the morning: a stage draws near.
type notice struct {
	stage lot.Stage
	// lead is how long before the earliest expected time it is given.
	lead time.Duration
	rule lang.Rule
	// move: it asks for room, and concerns only what still lies in a stack.
	move bool
}

// noticeBack is how far a forecast must recede before a notice is taken back,
// so that a forecast that wavers from day to day does not call twice.
const noticeBack = 48 * time.Hour

const day = 24 * time.Hour

// lotNotices are what every lot is watched for.
var lotNotices = []notice{
	{stage: lot.Eyed, lead: 3 * day, rule: lang.Rule{
		Kind: alarm.LotDue, Name: "may be eyed within 3 days", Priority: alarm.Morning,
		CanHappen: "From the eyed stage the eggs can be shocked, picked and moved; before it they are tender.",
		ToDo:      "Look for eyes. When most eggs show them, write it down: weirkeeper lot eyed.",
	}},
	{stage: lot.Hatch, lead: 3 * day, rule: lang.Rule{
		Kind: alarm.LotDue, Name: "may hatch within 3 days", Priority: alarm.Morning,
		CanHappen: "Shells and foam clog the screens of trays and troughs, and the water runs over.",
		ToDo:      "Look at the trays and keep the screens clear. Write down first, half and last: weirkeeper lot hatched.",
	}},
	{stage: lot.SwimUp, lead: 10 * day, move: true, rule: lang.Rule{
		Kind: alarm.LotDue, Name: "may be ready to move within 10 days: trough space needed", Priority: alarm.Morning,
		CanHappen: "Fry that swim up in a stack cannot be fed there.",
		ToDo:      "Clean and fill a trough, and see that its flow is right: weirkeeper lot stock.",
	}},
	{stage: lot.SwimUp, lead: 36 * time.Hour, rule: lang.Rule{
		Kind: alarm.LotDue, Name: "may swim up tomorrow: first feed", Priority: alarm.Morning,
		CanHappen: "Fry that are not fed when they swim up starve or stay small.",
		ToDo:      "Have starter feed ready and look at the fry. Write it down: weirkeeper lot swim-up, weirkeeper lot fed.",
	}},
}

// alarmOf names the alarm of one notice on one lot.
type alarmOf struct {
	lot    string
	notice int
}

// setNotices gives every unfinished lot its notices. Those of lots that are
// finished go when their alarm is back to normal.
func (e *Engine) setNotices() {
	wanted := make(map[alarmOf]bool)
	if e.notices == nil {
		e.notices, e.told = make(map[alarmOf]*check), make(map[alarm.Key]uint64)
	}
	for _, l := range e.book.Lots() {
		if !l.Finished.IsZero() {
			continue
		}
		for i := range lotNotices {
			id := alarmOf{l.ID, i}
			wanted[id] = true
			if e.notices[id] != nil {
				continue
			}
			n := &lotNotices[i]
			c := &check{rule: &n.rule, notice: n, lot: l.ID, name: n.rule.Key(lang.Watch{Unit: l.ID})}
			c.occurrence = e.told[c.name]
			e.notices[id] = c
			e.checks = append(e.checks, c)
		}
	}
	e.checks = slices.DeleteFunc(e.checks, func(c *check) bool {
		if c.notice == nil || c.state != alarm.Normal {
			return false
		}
		id := alarmOf{c.lot, slices.IndexFunc(lotNotices, func(n notice) bool { return n.rule.Name == c.notice.rule.Name })}
		if wanted[id] {
			return false
		}
		delete(e.notices, id)
		e.told[c.name] = c.occurrence
		return true
	})
}

// due judges a notice by the newest forecast.
func (c *check) due(e *Engine, now time.Time) verdict {
	l, ok := e.book.Lot(c.lot)
	if !ok || !l.Finished.IsZero() || (c.notice.move && len(c.inStack(e, l)) == 0) {
		return good
	}
	o := e.outlookAt(now)
	seen := e.foresee(o, l, now)
	for _, f := range seen.forecast {
		if f.Stage != c.notice.stage {
			continue
		}
		switch {
		case f.Why != "" || !seen.sure:
			return unknown
		case f.Earliest.After(now.Add(c.notice.lead + noticeBack)):
			return good
		}
		if _, ok := o.rooms[l.ID]; c.notice.move && !ok {
			o.rooms[l.ID] = e.roomWords(l, c.inStack(e, l), now)
		}
		if f.Overdue || !f.Earliest.After(now.Add(c.notice.lead)) {
			return bad
		}
		return between
	}
	return good // the stage was seen
}

// inStack is what of a lot lies in incubator stacks.
func (c *check) inStack(e *Engine, l *book.Lot) []book.Holding {
	return slices.DeleteFunc(slices.Clone(l.Holdings), func(h book.Holding) bool {
		u, ok := e.site.Unit(h.Unit)
		return !ok || u.Kind != site.Stack
	})
}

// noticeWords words a notice: the lot and what draws near, and when.
func (c *check) noticeWords(e *Engine, now time.Time, active bool) (trouble, detail string) {
	trouble = "Lot " + c.lot + ": " + c.rule.Name
	l, ok := e.book.Lot(c.lot)
	switch {
	case !ok:
		return trouble, "the lot is no longer in the book"
	case !l.Finished.IsZero():
		return trouble, "nothing of the lot is left here"
	case !active:
		if at, ok := l.Seen()[c.notice.stage]; ok {
			return trouble, string(c.notice.stage) + " was seen on " + at.In(e.site.Location).Format("2 Jan 15:04")
		}
		return trouble, "no longer so near"
	}
	for _, f := range e.foresee(e.outlookAt(now), l, now).forecast {
		if f.Stage != c.notice.stage {
			continue
		}
		const format = "Mon 2 Jan"
		switch {
		case f.Overdue:
			detail = "by its units it should be so by now"
		case f.Why != "":
			detail = "no date, " + f.Why
		default:
			detail = "expected " + f.Earliest.In(e.site.Location).Format(format) + " to " + f.Latest.In(e.site.Location).Format(format)
		}
	}
	detail += "; " + e.whereWords(l)
	if c.notice.move {
		room, ok := e.outlookAt(now).rooms[l.ID]
		if !ok {
			room = e.roomWords(l, c.inStack(e, l), now)
		}
		detail += "; " + room
	}
	return trouble, detail
}

// whereWords says how many are where, such as "24,000 in stack 1".
func (e *Engine) whereWords(l *book.Lot) string {
	var parts []string
	for _, h := range l.Holdings {
		parts = append(parts, measure.Group(h.Number)+" in "+h.Unit)
	}
	return strings.Join(parts, ", ")
}

// roomWords says where there is room for what lies in stacks, once it swims up.
func (e *Engine) roomWords(l *book.Lot, in []book.Holding, now time.Time) string {
	next := e.fish(l, &book.Holding{})
	next.Eggs, next.MeanWeightG = false, e.profile(l.Species).FryWeight()
	for _, h := range in {
		next.Number += h.Number
	}
	var parts []string
	for _, r := range stock.RoomFor(next, e.places(now, site.Trough, site.DeepTrough)) {
		if r.Number > 0 {
			parts = append(parts, fmt.Sprintf("%s for %s", r.Unit, measure.Group(r.Number)))
		}
		if len(parts) == 3 {
			break
		}
	}
	s := fmt.Sprintf("%s fry of about %s", measure.Group(next.Number), measure.Gram.Format(float64(next.MeanWeightG)))
	if len(parts) == 0 {
		return s + ": no trough with room is known"
	}
	return s + ": there is room in " + strings.Join(parts, ", ")
}
