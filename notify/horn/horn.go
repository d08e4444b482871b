// Package horn owns when a horn or light in the house sounds, and whether it
// does what it is told. It is pure: no clock, no I/O. The daemon publishes what
// Due says and hands over what the horn says of itself.
package horn

import (
	"fmt"
	"strings"
	"time"

	"weirkeeper/rules/measure"
)

// Options describe one horn.
type Options struct {
	Name string
	// On and Off are what it is told, and what it says of itself.
	On, Off string
	// After is how long a call-out stands unanswered before it sounds.
	After time.Duration
	// Longest is how long it sounds without a pause. It trades neighbours and
	// coils against a horn not heard.
	Longest time.Duration
	// Repeat is from the begin of one sounding to the next; where Longest is no
	// less, there is no pause.
	Repeat time.Duration
	// Supervised: it says of itself what it does.
	Supervised bool
	// Within is how long it has to follow.
	Within time.Duration
	// Silent is after how long without a word it counts as silent; 0 is never.
	Silent time.Duration
}

// Call is what stands unanswered. The zero Call is nothing.
type Call struct {
	Since  time.Time // when the oldest was raised
	Newest time.Time // when the newest was raised
}

// Horn is the state of one. It is not safe for concurrent use.
type Horn struct {
	opt      Options
	began    time.Time // of the newest sounding
	newest   time.Time // what it knows of
	silenced bool      // by hand
	told     string    // last told, "" before the first
	toldAt   time.Time
	said     string // last said by itself, "" before the first
	saidAt   time.Time
	first    time.Time // when it was first judged
}

// New makes a horn that was told nothing yet.
func New(opt Options) *Horn { return &Horn{opt: opt} }

// Name is the horn's.
func (h *Horn) Name() string { return h.opt.Name }

// Sounding reports whether it is told to sound.
func (h *Horn) Sounding() bool { return h.told == h.opt.On }

// Silence stops it by hand, which answers nothing: the next repeat sounds again,
// and what is raised later sounds at once. It reports whether it was sounding.
func (h *Horn) Silence() bool {
	h.silenced = h.silenced || !h.began.IsZero()
	return h.told == h.opt.On
}

// Due gives what to tell it now, and whether that is new.
func (h *Horn) Due(now time.Time, c Call) (payload string, news bool) {
	if h.first.IsZero() {
		h.first = now
	}
	payload = h.opt.Off
	if h.sounds(now, c) {
		payload = h.opt.On
	}
	if payload == h.told {
		return payload, false
	}
	h.told, h.toldAt = payload, now
	return payload, true
}

func (h *Horn) sounds(now time.Time, c Call) bool {
	if c.Since.IsZero() {
		h.began, h.newest, h.silenced = time.Time{}, time.Time{}, false
		return false
	}
	if now.Sub(c.Since) < h.opt.After {
		return false
	}
	if h.began.IsZero() || c.Newest.After(h.newest) || now.Sub(h.began).Abs() >= h.opt.Repeat {
		h.began, h.newest, h.silenced = now, c.Newest, false
	}
	return !h.silenced && now.Sub(h.began) < h.opt.Longest
}

// Heard takes what the horn says of itself.
func (h *Horn) Heard(now time.Time, payload string) {
	h.said, h.saidAt = strings.TrimSpace(payload), now
}

// Trouble says what is wrong with it, "" when nothing is known to be. Without a
// link to the broker nothing can be known: the daemon does not ask then.
func (h *Horn) Trouble(now time.Time) string {
	switch {
	case !h.opt.Supervised || h.told == "":
		return ""
	case h.opt.Silent > 0 && now.Sub(h.lastWord()) > h.opt.Silent:
		if h.said == "" {
			return fmt.Sprintf("%s has said nothing since the start", h.opt.Name)
		}
		return fmt.Sprintf("%s has said nothing for %s", h.opt.Name, measure.FormatDuration(now.Sub(h.saidAt).Truncate(time.Second)))
	case h.said == h.told || now.Sub(h.toldAt) <= h.opt.Within:
		return ""
	case h.said == "":
		return fmt.Sprintf("%s was told %s and says nothing", h.opt.Name, h.told)
	}
	return fmt.Sprintf("%s was told %s and says %s", h.opt.Name, h.told, cut(h.said))
}

func (h *Horn) lastWord() time.Time {
	if h.said == "" {
		return h.first
	}
	return h.saidAt
}

// cut bounds what came off the wire.
func cut(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 20 {
		return string(r[:20]) + "…"
	}
	return s
}

// Shift follows a step of the clock on the wall, forward by a positive time.
func (h *Horn) Shift(by time.Duration) {
	for _, t := range []*time.Time{&h.began, &h.newest, &h.toldAt, &h.saidAt, &h.first} {
		if !t.IsZero() {
			*t = t.Add(by)
		}
	}
}

// Again makes the next Due tell it anew, as after a link that was lost.
func (h *Horn) Again() { h.told = "" }
