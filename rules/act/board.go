package act

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// Bounds. All are common practice, no source.
const (
	// DefaultCleaning is how long cleaning a unit suppresses its alarms when
	// nothing else is said, and MaxCleaning the longest.
	DefaultCleaning = site.DefaultSuppress
	MaxCleaning     = 2 * time.Hour
	// Settle is how long after the end of cleaning the water is given to come
	// back.
	Settle = 2 * time.Minute
	// MaxShelf is the longest that an alarm may be shelved.
	MaxShelf = 24 * time.Hour
	// MinPause and MaxPause bound a pause of the whole site, MinDrill and
	// MaxDrill the time there is to answer a drill.
	MinPause, MaxPause = 5 * time.Minute, 4 * time.Hour
	MinDrill, MaxDrill = 5 * time.Minute, 4 * time.Hour
)

// Cleaning is the newest cleaning of a unit.
type Cleaning struct {
	// Start is the act that began it; its Until is the bound.
	Start Act
	// Finish is the act that ended it before the bound; its At is zero while
	// there is none.
	Finish Act
}

// Going reports whether somebody is at it.
func (c Cleaning) Going(now time.Time) bool {
	return c.Finish.At.IsZero() && now.Before(c.Start.Until)
}

// Open reports whether it was begun and nobody has said that it is finished, the
// bound over or not, and so lately that a finish must be of it.
func (c Cleaning) Open(now time.Time) bool {
	return c.Finish.At.IsZero() && now.Before(c.Start.At.Add(MaxCleaning))
}

// QuietUntil is when alarms that cleaning upsets call out again: Settle after it
// was finished, or when the bound is over; after that a finish only counts the
// chore.
func (c Cleaning) QuietUntil() time.Time {
	if c.Finish.At.IsZero() || !c.Finish.At.Before(c.Start.Until) {
		return c.Start.Until
	}
	return c.Finish.At.Add(Settle)
}

// Board is the fold of the acts: who cleans what, what is shelved, what is out
// of service, whether the site is paused, the newest drill. The zero Board is that
// of no acts.
type Board struct {
	ids      map[string]bool
	cleaning map[string]Cleaning // by unit
	shelved  map[alarm.Key]Act
	out      map[string]Act // by unit
	pause    Act            // the newest, its Kind "" once it is ended
	drill    Act            // the newest, its Kind "" for none
	answered Act            // what answered it, its Kind "" while nothing has
}

// Take takes in the next act and reports whether it is new: one that was taken
// before, by its ID, changes nothing. Acts are taken in the order of the record,
// whether Check would have let them pass or not.
func (b *Board) Take(a Act) bool {
	if b.ids[a.ID] {
		return false
	}
	if b.ids == nil {
		b.ids, b.cleaning, b.shelved, b.out = make(map[string]bool), make(map[string]Cleaning), make(map[alarm.Key]Act), make(map[string]Act)
	}
	b.ids[a.ID] = true
	switch a.Kind {
	case CleaningStarted:
		if a.Until.IsZero() {
			a.Until = a.At.Add(DefaultCleaning)
		}
		if longest := a.At.Add(MaxCleaning); a.Until.After(longest) {
			a.Until = longest
		}
		b.cleaning[a.Unit] = Cleaning{Start: a}
	case CleaningFinished:
		if c, ok := b.cleaning[a.Unit]; ok && c.Finish.At.IsZero() {
			c.Finish = a
			b.cleaning[a.Unit] = c
		}
	case Shelved:
		a.bound(MaxShelf)
		b.shelved[a.Alarm] = a
	case Unshelved:
		delete(b.shelved, a.Alarm)
	case OutOfService:
		b.out[a.Unit] = a
	case InService:
		delete(b.out, a.Unit)
	case Paused:
		a.bound(MaxPause)
		b.pause = a
	case Resumed:
		b.pause = Act{}
	case DrillStarted:
		a.bound(MaxDrill)
		b.drill, b.answered = a, Act{}
	case DrillAnswered:
		if b.drill.Kind != "" && b.answered.Kind == "" {
			b.answered = a
		}
	case Reset, MarkedFalse:
	}
	return true
}

// bound has an act end by itself at the latest after longest.
func (a *Act) bound(longest time.Duration) {
	if end := a.At.Add(longest); a.Until.IsZero() || a.Until.After(end) {
		a.Until = end
	}
}

// Cleaning is the newest cleaning of a unit; false if there was none.
func (b *Board) Cleaning(unit string) (Cleaning, bool) {
	c, ok := b.cleaning[unit]
	return c, ok
}

// Shelved is the act by which an alarm is shelved now.
func (b *Board) Shelved(key alarm.Key, now time.Time) (Act, bool) {
	a, ok := b.shelved[key]
	return a, ok && now.Before(a.Until)
}

// OutOfService is the act by which a unit is out of service.
func (b *Board) OutOfService(unit string) (Act, bool) {
	a, ok := b.out[unit]
	return a, ok
}

// Paused is the act by which the whole site is paused now.
func (b *Board) Paused(now time.Time) (Act, bool) {
	return b.pause, b.pause.Kind != "" && now.Before(b.pause.Until)
}

// Drill is the act that started the newest drill and the one that answered it;
// the Kind of either is "" where there is none. Until of the first is when it has
// to be answered.
func (b *Board) Drill() (started, answered Act) { return b.drill, b.answered }

// Drilling reports whether a drill waits for its answer.
func (b *Board) Drilling(now time.Time) bool {
	return b.drill.Kind != "" && b.answered.Kind == "" && now.Before(b.drill.Until)
}

// Knows reports whether an act was taken before.
func (b *Board) Knows(id string) bool { return b.ids[id] }

// AllCleaning lists the cleanings that are open, by unit.
func (b *Board) AllCleaning(now time.Time) []Cleaning {
	var all []Cleaning
	for _, c := range b.cleaning {
		if c.Open(now) {
			all = append(all, c)
		}
	}
	slices.SortFunc(all, func(a, b Cleaning) int { return strings.Compare(a.Start.Unit, b.Start.Unit) })
	return all
}

// AllShelved lists the acts by which alarms are shelved now, by alarm.
func (b *Board) AllShelved(now time.Time) []Act {
	var all []Act
	for _, a := range b.shelved {
		if now.Before(a.Until) {
			all = append(all, a)
		}
	}
	slices.SortFunc(all, func(a, b Act) int { return strings.Compare(string(a.Alarm), string(b.Alarm)) })
	return all
}

// AllOutOfService lists the acts by which units are out of service, by unit.
func (b *Board) AllOutOfService() []Act {
	all := slices.Collect(maps.Values(b.out))
	slices.SortFunc(all, func(a, b Act) int { return strings.Compare(a.Unit, b.Unit) })
	return all
}

// Shift follows a step of the clock on the wall: what is bounded lasts as long
// as it would have.
func (b *Board) Shift(by time.Duration) {
	b.each(func(a *Act) { a.shift(by) })
}

// Clamp brings back what lies in the future, where the clock was set back since
// it was written: no bound is longer than it was meant to be.
func (b *Board) Clamp(now time.Time) {
	b.each(func(a *Act) {
		if ahead := a.At.Sub(now); ahead > 0 {
			a.shift(-ahead)
		}
	})
}

func (b *Board) each(f func(*Act)) {
	for unit, c := range b.cleaning {
		f(&c.Start)
		if !c.Finish.At.IsZero() {
			f(&c.Finish)
		}
		b.cleaning[unit] = c
	}
	for key, a := range b.shelved {
		f(&a)
		b.shelved[key] = a
	}
	for unit, a := range b.out {
		f(&a)
		b.out[unit] = a
	}
	for _, a := range []*Act{&b.pause, &b.drill, &b.answered} {
		if a.Kind != "" {
			f(a)
		}
	}
}

func (a *Act) shift(by time.Duration) {
	a.At = a.At.Add(by)
	if !a.Until.IsZero() {
		a.Until = a.Until.Add(by)
	}
}

// Refusal says why an act does not fit, and what would.
type Refusal struct{ Reason string }

func (r *Refusal) Error() string { return r.Reason }

// ahead is how far a time may lie ahead of the clock.
const ahead = time.Minute

// Check judges an act before it is taken. Cleaning that is finished without a
// start is fine: the chore is done all the same. Whether there is such an alarm
// is not known here. Errors: *Refusal.
func (b *Board) Check(a Act, now time.Time, s *site.Site) error {
	refuse := func(format string, args ...any) error { return &Refusal{fmt.Sprintf(format, args...)} }
	clock := func(t time.Time) string { return Clock(t, now, s.Location) }
	switch {
	case a.ID == "":
		return refuse("it has no ID: choose one, so that the same one given twice counts once")
	case !slices.Contains(Kinds(), a.Kind):
		return refuse("there is nothing like %q to do", a.Kind)
	case a.By == "":
		return refuse("say who you are: --by NAME")
	case a.At.IsZero() || a.At.After(now.Add(ahead)):
		return refuse("its time, %s, lies ahead of the clock", clock(a.At))
	}
	switch a.Kind {
	case CleaningStarted, CleaningFinished, OutOfService, InService:
		if _, ok := s.Unit(a.Unit); !ok {
			var names []string
			for i := range s.Units {
				names = append(names, s.Units[i].Name)
			}
			if near := measure.Suggest(a.Unit, names); near != "" {
				return refuse("there is no unit %q in the site file; did you mean %q?", a.Unit, near)
			}
			return refuse("there is no unit %q in the site file", a.Unit)
		}
	case Shelved, Unshelved, Reset, MarkedFalse:
		if a.Alarm == "" {
			return refuse("say which alarm: weirkeeper's page names them all")
		}
	case Paused:
		if strings.TrimSpace(a.Why) == "" {
			return refuse("say why nobody is to be called: --why TEXT")
		}
	case Resumed, DrillStarted, DrillAnswered:
	}
	if a.Chore != "" {
		c, ok := s.Chore(a.Chore)
		switch {
		case !ok:
			return refuse("there is no chore %q in the site file", a.Chore)
		case !c.DoneAt(a.Unit):
			return refuse("the chore %q is not done at %s, says the site file", a.Chore, a.Unit)
		}
	}
	limit := func(least, longest time.Duration) error {
		what := map[Kind]string{CleaningStarted: "cleaning", Shelved: "shelving", Paused: "a pause", DrillStarted: "a drill"}[a.Kind]
		switch bound := a.Until.Sub(a.At); {
		case a.Until.IsZero() || bound <= 0:
			return refuse("say for how long, up to %s", measure.FormatDuration(longest))
		case bound > longest:
			return refuse("%s is too long: %s may last %s at the most", measure.FormatDuration(bound), what, measure.FormatDuration(longest))
		case bound < least:
			return refuse("%s is too short: %s lasts %s at the least", measure.FormatDuration(bound), what, measure.FormatDuration(least))
		}
		return nil
	}
	switch a.Kind {
	case CleaningStarted:
		if c, ok := b.cleaning[a.Unit]; ok && c.Going(now) {
			return refuse("%s is being cleaned by %s since %s; finish that first", a.Unit, c.Start.By, clock(c.Start.At))
		}
		return limit(0, MaxCleaning)
	case Shelved:
		return limit(0, MaxShelf)
	case Unshelved:
		if _, ok := b.Shelved(a.Alarm, now); !ok {
			return refuse("the alarm %q is not shelved", string(a.Alarm))
		}
	case OutOfService:
		if o, ok := b.out[a.Unit]; ok {
			return refuse("%s is out of service since %s, at the word of %s", a.Unit, clock(o.At), o.By)
		}
	case InService:
		if _, ok := b.out[a.Unit]; !ok {
			return refuse("%s is in service", a.Unit)
		}
	case MarkedFalse:
		if a.Occurrence == 0 {
			return refuse("say which occurrence of the alarm %q was false", string(a.Alarm))
		}
	case Paused:
		return limit(MinPause, MaxPause)
	case Resumed:
		if _, ok := b.Paused(now); !ok {
			return refuse("the site is not paused")
		}
	case DrillStarted:
		if b.Drilling(now) {
			return refuse("a drill of %s is going on since %s; it is to be answered by %s", b.drill.By, clock(b.drill.At), clock(b.drill.Until))
		}
		return limit(MinDrill, MaxDrill)
	case DrillAnswered:
		if !b.Drilling(now) {
			return refuse("no drill waits for an answer")
		}
	case CleaningFinished, Reset:
	}
	return nil
}

// Clock words a time on the wall of a zone, with the day when it is not that of
// now: "09:10", "Tue 24 Nov 09:10".
func Clock(t, now time.Time, zone *time.Location) string {
	t, now = t.In(zone), now.In(zone)
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}
