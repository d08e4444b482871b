package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/ingest"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// Act records what somebody has done about alarms, now, and words it. One that
// is in the record already, by its ID, changes nothing.
// Errors: *act.Refusal, or that it could not be stored.
func (k *keeper) Act(ctx context.Context, c web.ActCommand) (said string, err error) {
	if c.Act.Via == "" {
		c.Act.Via = "command"
	}
	err = k.do(ctx, func(now time.Time) (err error) {
		said, err = k.act(now, c.Act, c.For)
		return err
	})
	return said, err
}

// act takes an act of now into the record and tells the engine. lasts is how long
// it is to hold, 0 for what is usual.
func (k *keeper) act(now time.Time, a act.Act, lasts time.Duration) (string, error) {
	said, trs, err := k.takeAct(now, a, lasts)
	if err == nil {
		k.observe(trs)
		k.due(now) // a drill makes no transition
	}
	return said, err
}

// takeAct is act without telling the router what the engine made of it.
func (k *keeper) takeAct(now time.Time, a act.Act, lasts time.Duration) (string, []alarm.Transition, error) {
	if k.engine.Acts().Knows(a.ID) {
		return "This was recorded already.\n", nil, nil
	}
	a.At, a.Until = now.UTC().Truncate(time.Microsecond), time.Time{}
	a.By = strings.TrimSpace(a.By)
	switch a.Kind {
	case act.CleaningStarted, act.CleaningFinished:
		if c, ok := k.site.Cleaning(a.Unit); ok && a.Chore == "" {
			a.Chore = c.Name
		}
		if a.Kind == act.CleaningStarted && lasts == 0 {
			lasts = k.site.SuppressFor(a.Unit)
		}
	case act.DrillStarted:
		if lasts == 0 {
			lasts = drillWithin
		}
	default:
	}
	if lasts != 0 {
		a.Until = a.At.Add(lasts)
	}
	if err := k.engine.CheckAct(now, &a); err != nil {
		return "", nil, err
	}
	said := k.actWords(now, a)
	k.batch.Acts = append(k.batch.Acts, a)
	k.drills.take(a)
	if a.Kind == act.CleaningFinished && a.Chore != "" {
		k.batch.ChoresDone = append(k.batch.ChoresDone, site.ChoreDone{Chore: a.Chore, Unit: a.Unit, By: a.By, At: a.At, Via: a.Via})
	}
	k.log.Info("act", "what", string(a.Kind), "by", a.By, "via", a.Via, "unit", a.Unit, "alarm", string(a.Alarm), "until", a.Until)
	switch a.Kind {
	case act.DrillStarted:
		k.router.DrillStarted(a)
	case act.DrillAnswered:
		k.router.DrillAnswered(a)
	case act.Shelved, act.Paused:
		k.router.HeldBack(a)
	default:
	}
	return said, k.engine.Act(now, a), nil
}

// actWords says what an act brings about, before it is taken.
func (k *keeper) actWords(now time.Time, a act.Act) string {
	clock := func(t time.Time) string { return act.Clock(t, now, k.site.Location) }
	switch a.Kind {
	case act.CleaningStarted:
		return fmt.Sprintf("%s is being cleaned by %s since %s. Its flow alarms call nobody until that is finished, and not after %s. If the flow is not back then, that is a call-out.\n",
			measure.Capital(a.Unit), a.By, clock(a.At), clock(a.Until))
	case act.CleaningFinished:
		s := fmt.Sprintf("%s was cleaned by %s at %s.", measure.Capital(a.Unit), a.By, clock(a.At))
		if c, ok := k.engine.Acts().Cleaning(a.Unit); ok && c.Going(now) {
			s += fmt.Sprintf(" If the flow is not back by %s, that is a call-out: is the standpipe down?", clock(a.At.Add(act.Settle)))
		}
		if a.Chore == "" {
			s += " The site file has no chore that counts as done by it."
		} else {
			s += fmt.Sprintf(" The chore %q counts as done.", a.Chore)
		}
		return s + "\n"
	case act.Shelved:
		return fmt.Sprintf("Shelved until %s: %s\nNobody is called for it until then; it is judged and written down as ever.\n", clock(a.Until), a.Alarm)
	case act.Unshelved:
		return fmt.Sprintf("No longer shelved: %s\n", a.Alarm)
	case act.OutOfService:
		said := fmt.Sprintf("Out of service: %s\nNobody is called for it until weirkeeper service in; the morning round reminds of it each day.\n", a.Unit)
		for _, l := range k.engine.Book().Lots() {
			for _, h := range l.Holdings {
				if h.Unit == a.Unit && l.Finished.IsZero() {
					said += fmt.Sprintf("WARNING: by the book %s of lot %s lie there. Nobody is called if their water fails.\n", measure.Group(h.Number), l.ID)
				}
			}
		}
		return said
	case act.InService:
		return fmt.Sprintf("In service again: %s\n", a.Unit)
	case act.MarkedFalse:
		return fmt.Sprintf("Marked as false: %s, raise number %d\n", a.Alarm, a.Occurrence)
	case act.Paused:
		return fmt.Sprintf("The whole site is paused until %s. Nobody is called for anything but weirkeeper itself until then; all is judged and written down as ever. What is still wrong then calls out.\nSooner with: weirkeeper resume --by YOUR-NAME\n", clock(a.Until))
	case act.Resumed:
		return "The site is no longer paused. What is wrong now calls out.\n"
	case act.DrillStarted:
		return fmt.Sprintf("A drill goes out. It is to be answered by %s.\n", clock(a.Until))
	case act.DrillAnswered:
		return "The drill is answered. The others hear of it.\n"
	case act.Reset:
	}
	return fmt.Sprintf("Recorded: %s, by %s.\n", a.Kind, a.By)
}

// choreDone takes a chore done now into the record and words it. Where it is the
// one being done, that is finished.
// Errors: *UnknownChoreError.
func (k *keeper) choreDone(now time.Time, d site.ChoreDone) (string, error) {
	c, ok := k.site.Chore(d.Chore)
	if !ok || !c.DoneAt(d.Unit) {
		return "", &UnknownChoreError{d.Chore, d.Unit}
	}
	if cl, ok := k.engine.Acts().Cleaning(d.Unit); ok && cl.Open(now) && cl.Start.Chore == d.Chore {
		return k.act(now, act.Act{ID: newMessageID(now), Kind: act.CleaningFinished, By: d.By, Via: d.Via, Unit: d.Unit, Chore: d.Chore}, 0)
	}
	d.At = now
	k.batch.ChoresDone = append(k.batch.ChoresDone, d)
	k.observe(k.engine.ChoreDone(now, d))
	return strings.TrimSpace("Recorded as done: "+d.Chore+" "+d.Unit) + "\n", nil
}

// Place tells what the page of a printed code shows of a unit, or with "" of the
// whole site.
func (k *keeper) Place(ctx context.Context, unit string) (*web.Place, error) {
	p := &web.Place{Unit: unit, Site: k.site.Name, Zone: k.site.Location}
	err := k.ask(ctx, func(now time.Time) error {
		p.Now = now
		if c, ok := k.engine.Acts().Cleaning(unit); ok && c.Open(now) {
			p.Cleaning = &c
		}
		cleaning, _ := k.site.Cleaning(unit)
		for i := range k.site.Chores {
			if c := &k.site.Chores[i]; c.DoneAt(unit) && (unit == "" || c != cleaning) {
				p.Chores = append(p.Chores, c.Name)
			}
		}
		return nil
	})
	return p, err
}

// linkMemory is how many chores told by links are remembered, so that a button of
// a page pressed twice counts once.
const linkMemory = 1000

// DoneHere records a chore as done now, once for each id.
// Errors: *act.Refusal, or that it could not be stored.
func (k *keeper) DoneHere(ctx context.Context, d site.ChoreDone, id string) (said string, err error) {
	err = k.do(ctx, func(now time.Time) (err error) {
		if k.linked[id] {
			said = "This was recorded already.\n"
			return nil
		}
		if said, err = k.choreDone(now, d); err != nil {
			if unknown := (*UnknownChoreError)(nil); errors.As(err, &unknown) {
				err = &act.Refusal{Reason: err.Error()}
			}
			return err
		}
		if len(k.linked) >= linkMemory || k.linked == nil {
			k.linked = make(map[string]bool)
		}
		k.linked[id] = true
		return nil
	})
	return said, err
}

// buttonRests is how long a button is deaf after a press: contacts bounce, and
// fingers press twice (common practice, no source).
const buttonRests = 2 * time.Second

// press is the newest press of a button that counted.
type press struct {
	at  time.Time
	mid uint16
}

// pressed takes a message of a button and reports whether it was one. It is
// acknowledged like any other, after the commit.
func (k *keeper) pressed(m ingest.Message) bool {
	found := false
	for i := range k.site.Buttons {
		b := &k.site.Buttons[i]
		if b.Topic != m.Topic {
			continue
		}
		found = true
		last, again := k.presses[b.Name]
		switch {
		case m.Retained: // nobody presses it now
		case b.Payload != "" && strings.TrimSpace(string(m.Payload)) != b.Payload:
		case again && m.ArrivedAt.Sub(last.at).Abs() < buttonRests:
		case again && m.Dup && m.MID != 0 && m.MID == last.mid: // it was taken, and the broker did not hear so
		default:
			if k.presses == nil {
				k.presses = make(map[string]press)
			}
			k.presses[b.Name] = press{m.ArrivedAt, m.MID}
			if err := k.push(b, m); err != nil {
				k.log.Warn("a button was pressed and that fits nothing", "button", b.Name, "topic", b.Topic, "err", err)
			}
		}
	}
	return found
}

// push does what a press of a button means.
func (k *keeper) push(b *site.Button, m ingest.Message) (err error) {
	const via = "button"
	who := "somebody at the button"
	if b.Silences != "" {
		k.log.Info("horn silenced by hand", "horn", b.Silences, "button", b.Name)
		k.house.silence(b.Silences)
		return nil
	}
	if b.Done {
		_, err = k.choreDone(m.ArrivedAt, site.ChoreDone{Chore: b.Chore, Unit: b.At, By: who, Via: via})
		return err
	}
	kind := act.CleaningStarted
	if c, ok := k.engine.Acts().Cleaning(b.At); ok && c.Open(m.ArrivedAt) {
		kind = act.CleaningFinished
	}
	id := fmt.Sprintf("%s/%d/%d/%s", via, m.MID, m.ArrivedAt.UnixMicro(), b.Name)
	_, err = k.act(m.ArrivedAt, act.Act{ID: id, Kind: kind, By: who, Via: via, Unit: b.At, Chore: b.Chore}, 0)
	return err
}

// restorePresses reads the presses of buttons out of the record, so that one that
// was taken before a restart and comes again does not count again.
func (k *keeper) restorePresses(acts []act.Act) {
	k.presses = make(map[string]press)
	for _, a := range acts {
		parts := strings.SplitN(a.ID, "/", 4)
		if len(parts) != 4 || parts[0] != "button" {
			continue
		}
		if mid, err := strconv.ParseUint(parts[1], 10, 16); err == nil {
			k.presses[parts[3]] = press{a.At, uint16(mid)}
		}
	}
}

// unitNames lists the units of a site.
func unitNames(s *site.Site) []string {
	names := make([]string, len(s.Units))
	for i := range s.Units {
		names[i] = s.Units[i].Name
	}
	return names
}

// topics adds those of the buttons to those of the probes.
func topics(s *site.Site, of []string) []string {
	for _, b := range s.Buttons {
		of = append(of, b.Topic)
	}
	slices.Sort(of)
	return slices.Compact(of)
}
