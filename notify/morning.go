package notify

import (
	"slices"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// eveningHour is when a night begins, on the clock on the wall.
const eveningHour = 18

// lateStart is how long after the morning hour a daemon that knows of no earlier
// morning still sends the message of this one.
const lateStart = time.Hour

// dueMorning gives the morning round: all that waited for it, and what stands
// from an earlier one and nobody has answered. With Policy.AllWell there is one
// on each local date.
func (r *Router) dueMorning(now time.Time, look Look) []callout.Message {
	var list []*trouble
	due := false
	for _, t := range r.gather(now, r.sorted(alarm.Morning)) {
		switch {
		case !t.told:
			list = append(list, t)
			due = due || !now.Before(r.morningAfter(t.firstRaise.Add(-1)))
		case t.latest.To == alarm.Unacknowledged:
			list = append(list, t)
			due = due || !now.Before(r.morningAfter(t.toldAt))
		}
	}
	var night []Extreme
	var standing []*trouble
	if r.policy.AllWell {
		if due = r.dueWell(now); !due {
			return nil
		}
		// What nobody is called for stands all the same.
		stands := func(t *trouble) bool { return t.active() && !slices.Contains(list, t) }
		standing = r.gather(now, slices.Concat(r.ranked(alarm.CallOut, stands), r.ranked(alarm.Morning, stands)))
		if len(list)+len(standing) == 0 && look.blind() != "" {
			return nil // it comes when that is known, or with the alarm that it becomes
		}
		if look.Night != nil {
			y, m, d := now.In(r.policy.Location).Date()
			night = look.Night(time.Date(y, m, d-1, eveningHour, 0, 0, 0, r.policy.Location).UTC(), now.UTC())
		}
	}
	if !due {
		return nil
	}
	var aside []Aside
	if look.Aside != nil {
		told := keysOf(slices.Concat(list, standing), true)
		aside = slices.DeleteFunc(look.Aside(), func(a Aside) bool { return slices.Contains(told, a.Key) })
	}
	why := callout.MorningRound
	if len(list)+len(standing) == 0 {
		why = callout.AllWell
	}
	var out []callout.Message
	for _, p := range r.people {
		l := letter{why: why, to: p, list: list, ways: 1, byMail: true}
		if h := r.hearer(now, p, ""); len(list) == 0 {
			l.words = r.allWellText(now, h, standing, night, aside)
		} else {
			l.words = r.morningText(now, h, slices.Concat(list, standing), night, aside)
		}
		out = append(out, r.write(now, &l)...)
	}
	for _, p := range r.people {
		r.mark(why, p.Name, keysOf(list, true), "", now)
	}
	return out
}

// dueWell reports whether this date's morning message is still to be sent.
func (r *Router) dueWell(now time.Time) bool {
	today := r.date(now)
	y, m, d := today.Date()
	hour := time.Date(y, m, d, r.policy.MorningMinute/60, r.policy.MorningMinute%60, 0, 0, r.policy.Location)
	switch yesterday := today.AddDate(0, 0, -1); {
	case r.wellOn.IsZero() && now.Before(hour.Add(lateStart)), r.wellOn.After(today.AddDate(0, 0, 1)): // the clock was far ahead
		r.wellOn = yesterday
	case r.wellOn.IsZero():
		r.wellOn = today
	}
	return r.wellOn.Before(today) && !now.Before(hour)
}

// date is the local date of a time, as the midnight of UTC.
func (r *Router) date(t time.Time) time.Time {
	y, m, d := t.In(r.policy.Location).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// morningAfter is the first morning hour after t. There is exactly one on each
// local date, also when the clocks change.
func (r *Router) morningAfter(t time.Time) time.Time {
	y, m, d := t.In(r.policy.Location).Date()
	for i := 0; ; i++ {
		at := time.Date(y, m, d+i, r.policy.MorningMinute/60, r.policy.MorningMinute%60, 0, 0, r.policy.Location)
		if at.After(t) {
			return at
		}
	}
}
