package act_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/act"
	"weirkeeper/rules/rulestest"
)

var start = rulestest.Start // 18:00

func at(d time.Duration) time.Time { return start.Add(d) }

func board(acts ...act.Act) *act.Board {
	var b act.Board
	for i, a := range acts {
		a.ID = string(rune('a' + i))
		b.Take(a)
	}
	return &b
}

func clean(d time.Duration) act.Act {
	return act.Act{Kind: act.CleaningStarted, At: at(d), By: "kim", Unit: "trough 1", Until: at(d + 30*time.Minute)}
}

func finish(d time.Duration) act.Act {
	return act.Act{Kind: act.CleaningFinished, At: at(d), By: "rowan", Unit: "trough 1"}
}

func TestCleaning(t *testing.T) {
	unbound, endless := clean(0), clean(0)
	unbound.Until, endless.Until = time.Time{}, at(5*time.Hour)
	for _, tt := range []struct {
		name  string
		acts  []act.Act
		quiet time.Duration // until then; 0 for no cleaning
		going time.Duration // until then
	}{
		{"none", nil, 0, 0},
		{"finished without a start", []act.Act{finish(0)}, 0, 0},
		{"started", []act.Act{clean(0)}, 30 * time.Minute, 30 * time.Minute},
		{"without a bound: the usual one", []act.Act{unbound}, 30 * time.Minute, 30 * time.Minute},
		{"with a bound too long: the longest", []act.Act{endless}, 2 * time.Hour, 2 * time.Hour},
		{"finished", []act.Act{clean(0), finish(10 * time.Minute)}, 12 * time.Minute, 10 * time.Minute},
		{"finished as the bound is over", []act.Act{clean(0), finish(30 * time.Minute)}, 30 * time.Minute, 30 * time.Minute},
		{"finished just before", []act.Act{clean(0), finish(30*time.Minute - 1)}, 32*time.Minute - 1, 30*time.Minute - 1},
		{"finished twice", []act.Act{clean(0), finish(10 * time.Minute), finish(15 * time.Minute)}, 12 * time.Minute, 10 * time.Minute},
		{"started again", []act.Act{clean(0), finish(10 * time.Minute), clean(20 * time.Minute)}, 50 * time.Minute, 50 * time.Minute},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c, ok := board(tt.acts...).Cleaning("trough 1")
			if ok != (tt.quiet > 0) {
				t.Fatalf("cleaning %v", ok)
			}
			if !ok {
				return
			}
			if open := c.Finish.At.IsZero(); c.Open(at(2*time.Hour-1)) != open && len(tt.acts) < 3 || c.Open(at(3*time.Hour)) {
				t.Errorf("open is %v", !open)
			}
			if got := c.QuietUntil().Sub(start); got != tt.quiet {
				t.Errorf("quiet until %v, want %v", got, tt.quiet)
			}
			if !c.Going(at(tt.going-1)) && c.Finish.At.IsZero() || c.Going(at(tt.going)) {
				t.Errorf("is not going until %v", tt.going)
			}
		})
	}
}

func TestShelvedAndOutOfService(t *testing.T) {
	shelve := act.Act{Kind: act.Shelved, At: start, By: "kim", Alarm: "a", Until: at(2 * time.Hour)}
	b := board(shelve, act.Act{Kind: act.OutOfService, At: start, By: "kim", Unit: "trough 1"})
	if a, ok := b.Shelved("a", at(2*time.Hour-1)); !ok || a.By != "kim" {
		t.Errorf("shelved: %+v, %v", a, ok)
	}
	if _, ok := b.Shelved("a", at(2*time.Hour)); ok {
		t.Error("shelved for ever")
	}
	if _, ok := b.Shelved("b", start); ok {
		t.Error("another alarm is shelved")
	}
	if _, ok := b.OutOfService("trough 1"); !ok {
		t.Error("in service")
	}
	b.Take(act.Act{ID: "x", Kind: act.Unshelved, At: at(time.Hour), Alarm: "a"})
	b.Take(act.Act{ID: "y", Kind: act.InService, At: at(time.Hour), Unit: "trough 1"})
	if _, ok := b.Shelved("a", at(time.Hour)); ok {
		t.Error("still shelved")
	}
	if _, ok := b.OutOfService("trough 1"); ok {
		t.Error("still out of service")
	}
	b.Take(shelveAgain(shelve))
	if a, ok := b.Shelved("a", at(25*time.Hour)); ok {
		t.Errorf("shelved for more than a day: %+v", a)
	}
}

func shelveAgain(a act.Act) act.Act {
	a.ID, a.At, a.Until = "z", at(time.Hour), at(100*time.Hour)
	return a
}

func TestClocks(t *testing.T) {
	b := board(clean(0), act.Act{Kind: act.Shelved, At: start, Alarm: "a", Until: at(time.Hour)})
	b.Shift(-5 * time.Hour)
	if c, _ := b.Cleaning("trough 1"); !c.Start.Until.Equal(at(30*time.Minute - 5*time.Hour)) {
		t.Errorf("moved to %v", c.Start.Until)
	}
	if _, ok := b.Shelved("a", at(-4*time.Hour)); ok {
		t.Error("shelved longer for it")
	}
	b.Shift(8 * time.Hour)
	b.Clamp(at(0)) // it was written at 21:00 by a clock that was wrong
	if c, _ := b.Cleaning("trough 1"); !c.Start.At.Equal(start) || !c.Start.Until.Equal(at(30*time.Minute)) {
		t.Errorf("cleaning %v to %v", c.Start.At, c.Start.Until)
	}
}

func pause(d, lasts time.Duration) act.Act {
	return act.Act{Kind: act.Paused, At: at(d), By: "kim", Why: "valve", Until: at(d + lasts)}
}

func drill(d time.Duration) act.Act {
	return act.Act{Kind: act.DrillStarted, At: at(d), By: "kim", Until: at(d + time.Hour)}
}

func TestPause(t *testing.T) {
	endless := pause(0, 0)
	endless.Until = time.Time{}
	for _, tt := range []struct {
		name string
		acts []act.Act
		ends time.Duration // 0: not paused
	}{
		{"no", nil, 0},
		{"paused", []act.Act{pause(0, time.Hour)}, time.Hour},
		{"endless: the longest time", []act.Act{endless}, 4 * time.Hour},
		{"resumed", []act.Act{pause(0, time.Hour), {Kind: act.Resumed, At: at(time.Minute)}}, 0},
		{"paused again", []act.Act{pause(0, time.Hour), {Kind: act.Resumed, At: start}, pause(0, 2*time.Hour)}, 2 * time.Hour},
		{"the newest pause is what holds", []act.Act{pause(0, 2*time.Hour), pause(0, time.Hour)}, time.Hour},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := board(tt.acts...)
			if a, ok := b.Paused(at(tt.ends - 1)); ok != (tt.ends > 0) || ok && a.By != "kim" {
				t.Errorf("paused %v by %q", ok, a.By)
			}
			if _, ok := b.Paused(at(tt.ends)); ok {
				t.Error("for ever")
			}
			b.Shift(-time.Hour)
			if _, ok := b.Paused(at(tt.ends - time.Hour)); ok {
				t.Error("longer, for the clock was set back")
			}
			b.Shift(100 * time.Hour)
			b.Clamp(start)
			if _, ok := b.Paused(at(tt.ends - 1)); ok != (tt.ends > 0) {
				t.Error("shorter, for it was written in the future")
			}
			if _, ok := b.Paused(at(tt.ends)); ok {
				t.Error("longer, for it was written in the future")
			}
		})
	}
}

func TestDrill(t *testing.T) {
	answer := act.Act{Kind: act.DrillAnswered, At: at(3 * time.Minute), By: "rowan"}
	again := answer
	again.By = "lee"
	for _, tt := range []struct {
		name   string
		acts   []act.Act
		by, of string // who answered whose
		stands bool   // at 10 minutes
	}{
		{"none", nil, "", "", false},
		{"an answer to nothing", []act.Act{answer}, "", "", false},
		{"started", []act.Act{drill(0)}, "", "kim", true},
		{"answered", []act.Act{drill(0), answer}, "rowan", "kim", false},
		{"the first answer counts", []act.Act{drill(0), answer, again}, "rowan", "kim", false},
		{"the next one", []act.Act{drill(0), answer, drill(5 * time.Minute)}, "", "kim", true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := board(tt.acts...)
			started, answered := b.Drill()
			if started.By != tt.of || answered.By != tt.by || b.Drilling(at(10*time.Minute)) != tt.stands || b.Drilling(at(2*time.Hour)) {
				t.Errorf("%q answered %q, stands %v", answered.By, started.By, b.Drilling(at(10*time.Minute)))
			}
			if b.Shift(-2 * time.Hour); b.Drilling(at(0)) {
				t.Error("goes on longer, for the clock was set back")
			}
		})
	}
}

func TestCheck(t *testing.T) {
	s := rulestest.Site()
	for _, tt := range []struct {
		name   string
		before []act.Act
		act    act.Act
		refuse string // a part of it; "" lets it pass
	}{
		{"started", nil, clean(0), ""},
		{"started with its chore", nil, act.Act{Kind: act.CleaningStarted, At: start, By: "kim", Unit: "trough 1", Chore: "cleaning", Until: at(time.Minute)}, ""},
		{"finished without a start", nil, finish(0), ""},
		{"for the longest time", nil, act.Act{Kind: act.CleaningStarted, At: start, By: "kim", Unit: "trough 1", Until: at(2 * time.Hour)}, ""},
		{"for longer", nil, act.Act{Kind: act.CleaningStarted, At: start, By: "kim", Unit: "trough 1", Until: at(2*time.Hour + 1)}, "cleaning may last 2 h at the most"},
		{"for no time", nil, act.Act{Kind: act.CleaningStarted, At: start, By: "kim", Unit: "trough 1", Until: start}, "say for how long, up to 2 h"},
		{"started twice", []act.Act{clean(-10 * time.Minute)}, clean(0), "trough 1 is being cleaned by kim since 17:50"},
		{"started again after the bound", []act.Act{clean(-30 * time.Minute)}, clean(0), ""},
		{"started again after the end", []act.Act{clean(-10 * time.Minute), finish(-time.Minute)}, clean(0), ""},
		{"nobody", nil, act.Act{Kind: act.CleaningFinished, At: start, Unit: "trough 1"}, "say who you are"},
		{"no such unit", nil, act.Act{Kind: act.CleaningFinished, At: start, By: "kim", Unit: "trouhg 1"}, `no unit "trouhg 1" in the site file; did you mean "trough 1"?`},
		{"no unit", nil, act.Act{Kind: act.OutOfService, At: start, By: "kim"}, `no unit ""`},
		{"no such chore", nil, act.Act{Kind: act.CleaningFinished, At: start, By: "kim", Unit: "trough 1", Chore: "sweeping"}, `no chore "sweeping"`},
		{"a chore done elsewhere", nil, act.Act{Kind: act.CleaningFinished, At: start, By: "kim", Unit: "stack 1", Chore: "cleaning"}, "not done at stack 1"},
		{"in the future", nil, finish(time.Minute + 1), "lies ahead of the clock"},
		{"a little ahead", nil, finish(time.Minute), ""},
		{"nothing", nil, act.Act{Kind: "slept", At: start, By: "kim"}, `nothing like "slept"`},
		{"shelved for a day", nil, act.Act{Kind: act.Shelved, At: start, By: "kim", Alarm: "a", Until: at(24 * time.Hour)}, ""},
		{"shelved for more", nil, act.Act{Kind: act.Shelved, At: start, By: "kim", Alarm: "a", Until: at(24*time.Hour + 1)}, "shelving may last 1 d at the most"},
		{"shelved for ever", nil, act.Act{Kind: act.Shelved, At: start, By: "kim", Alarm: "a"}, "say for how long"},
		{"shelved nothing", nil, act.Act{Kind: act.Shelved, At: start, By: "kim", Until: at(time.Hour)}, "say which alarm"},
		{"unshelved what is not", nil, act.Act{Kind: act.Unshelved, At: start, By: "kim", Alarm: "a"}, "is not shelved"},
		{"unshelved", []act.Act{{Kind: act.Shelved, At: start, Alarm: "a", Until: at(time.Hour)}}, act.Act{Kind: act.Unshelved, At: start, By: "kim", Alarm: "a"}, ""},
		{"out of service twice", []act.Act{{Kind: act.OutOfService, At: at(-24 * time.Hour), By: "rowan", Unit: "trough 1"}}, act.Act{Kind: act.OutOfService, At: start, By: "kim", Unit: "trough 1"}, "trough 1 is out of service since Thu 19 Nov 18:00, at the word of rowan"},
		{"in service when it is", nil, act.Act{Kind: act.InService, At: start, By: "kim", Unit: "trough 1"}, "trough 1 is in service"},
		{"false, but which", nil, act.Act{Kind: act.MarkedFalse, At: start, By: "kim", Alarm: "a"}, "say which occurrence"},
		{"paused for the shortest time", nil, pause(0, 5*time.Minute), ""},
		{"paused for less", nil, pause(0, 5*time.Minute-1), "a pause lasts 5 min at the least"},
		{"paused for the longest time", nil, pause(0, 4*time.Hour), ""},
		{"paused for longer", nil, pause(0, 4*time.Hour+1), "a pause may last 4 h at the most"},
		{"paused for ever", nil, act.Act{Kind: act.Paused, At: start, By: "kim", Why: "valve"}, "say for how long, up to 4 h"},
		{"paused for no reason", nil, act.Act{Kind: act.Paused, At: start, By: "kim", Why: " ", Until: at(time.Hour)}, "say why"},
		{"paused again, for longer", []act.Act{pause(-time.Hour, 2*time.Hour)}, pause(0, 4*time.Hour), ""},
		{"resumed", []act.Act{pause(-time.Hour, 2*time.Hour)}, act.Act{Kind: act.Resumed, At: start, By: "kim"}, ""},
		{"resumed when it is over", []act.Act{pause(-2*time.Hour, 2*time.Hour)}, act.Act{Kind: act.Resumed, At: start, By: "kim"}, "the site is not paused"},
		{"resumed twice", []act.Act{pause(-time.Hour, 2*time.Hour), {Kind: act.Resumed, At: at(-time.Minute)}}, act.Act{Kind: act.Resumed, At: start, By: "kim"}, "the site is not paused"},
		{"a drill", nil, drill(0), ""},
		{"a drill without an end", nil, act.Act{Kind: act.DrillStarted, At: start, By: "kim"}, "say for how long, up to 4 h"},
		{"a drill too short", nil, act.Act{Kind: act.DrillStarted, At: start, By: "kim", Until: at(5*time.Minute - 1)}, "a drill lasts 5 min at the least"},
		{"a drill too long", nil, act.Act{Kind: act.DrillStarted, At: start, By: "kim", Until: at(4*time.Hour + 1)}, "a drill may last 4 h at the most"},
		{"two drills", []act.Act{drill(-10 * time.Minute)}, drill(0), "a drill of kim is going on since 17:50; it is to be answered by 18:50"},
		{"a drill after one that was missed", []act.Act{drill(-time.Hour)}, drill(0), ""},
		{"a drill after one that was answered", []act.Act{drill(-10 * time.Minute), {Kind: act.DrillAnswered, At: at(-5 * time.Minute), By: "rowan"}}, drill(0), ""},
		{"a drill answered", []act.Act{drill(-10 * time.Minute)}, act.Act{Kind: act.DrillAnswered, At: start, By: "rowan"}, ""},
		{"a drill answered twice", []act.Act{drill(-10 * time.Minute), {Kind: act.DrillAnswered, At: at(-5 * time.Minute), By: "rowan"}}, act.Act{Kind: act.DrillAnswered, At: start, By: "kim"}, "no drill waits"},
		{"a drill answered too late", []act.Act{drill(-time.Hour)}, act.Act{Kind: act.DrillAnswered, At: start, By: "kim"}, "no drill waits"},
		{"no drill answered", nil, act.Act{Kind: act.DrillAnswered, At: start, By: "kim"}, "no drill waits"},
		{"reset", nil, act.Act{Kind: act.Reset, At: start, By: "kim", Alarm: "a"}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.act.ID = "new"
			err := board(tt.before...).Check(tt.act, start, s)
			var refusal *act.Refusal
			switch {
			case tt.refuse == "" && err != nil, tt.refuse != "" && !errors.As(err, &refusal):
				t.Errorf("error %v", err)
			case tt.refuse != "" && !strings.Contains(err.Error(), tt.refuse):
				t.Errorf("refused as %q, want %q", err, tt.refuse)
			}
		})
	}
	if err := board().Check(finish(0), start, s); err == nil || !strings.Contains(err.Error(), "no ID") {
		t.Errorf("without ID: %v", err)
	}
}
