package horn_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify/horn"
)

// The times are invented.
var start = time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC)

func at(seconds int) time.Time { return start.Add(time.Duration(seconds) * time.Second) }

func options() horn.Options {
	return horn.Options{
		Name: "horn", On: "ON", Off: "OFF", Longest: time.Minute, Repeat: 5 * time.Minute,
		Supervised: true, Within: 10 * time.Second,
	}
}

// TestDue plays calls and silences second by second and lists what the horn was
// told.
func TestDue(t *testing.T) {
	late := options()
	late.After = 2 * time.Minute
	endless := options()
	endless.Longest = endless.Repeat
	type span struct{ from, to int }
	for _, tt := range []struct {
		name     string
		opt      horn.Options
		calls    []span
		silence  []int
		seconds  int
		want     []string
		heardOff bool
	}{
		{"nothing", options(), nil, nil, 600, []string{"0 OFF"}, false},
		{"a minute, and again with the repeat", options(), []span{{10, 400}}, nil, 600, []string{"0 OFF", "10 ON", "70 OFF", "310 ON", "370 OFF"}, false},
		{"answered while it sounds", options(), []span{{10, 30}}, nil, 600, []string{"0 OFF", "10 ON", "30 OFF"}, false},
		{"only after a while", late, []span{{10, 200}, {300, 310}}, nil, 600, []string{"0 OFF", "130 ON", "190 OFF"}, false},
		{"without a pause", endless, []span{{10, 700}}, nil, 800, []string{"0 OFF", "10 ON", "700 OFF"}, false},
		{"silenced until the repeat", options(), []span{{10, 400}}, []int{20}, 600, []string{"0 OFF", "10 ON", "20 OFF", "310 ON", "370 OFF"}, false},
		{"silenced, then news", options(), []span{{10, 400}, {100, 400}}, []int{20}, 350, []string{"0 OFF", "10 ON", "20 OFF", "100 ON", "160 OFF"}, false},
		{"silenced before it sounds at all", late, []span{{10, 200}}, []int{20}, 300, []string{"0 OFF", "130 ON", "190 OFF"}, false},
		{"silenced for nothing, then trouble", options(), []span{{10, 40}}, []int{5}, 300, []string{"0 OFF", "10 ON", "40 OFF"}, false},
		{"another after the first is over", options(), []span{{10, 40}, {60, 90}}, []int{20}, 300, []string{"0 OFF", "10 ON", "20 OFF", "60 ON", "90 OFF"}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h := horn.New(tt.opt)
			var got []string
			for s := range tt.seconds {
				for _, q := range tt.silence {
					if q == s {
						h.Silence()
					}
				}
				var c horn.Call
				for _, sp := range tt.calls {
					if s < sp.from || s >= sp.to {
						continue
					}
					if c.Since.IsZero() {
						c.Since = at(sp.from)
					}
					c.Newest = at(sp.from)
				}
				if p, news := h.Due(at(s), c); news {
					got = append(got, fmt.Sprintf("%d %s", s, p))
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestTrouble(t *testing.T) {
	call := horn.Call{Since: start, Newest: start}
	quiet := options()
	quiet.Silent = time.Minute
	deaf := options()
	deaf.Supervised = false
	for _, tt := range []struct {
		name  string
		opt   horn.Options
		heard map[int]string
		at    int
		want  string
	}{
		{"not yet", options(), nil, 10, ""},
		{"says nothing", options(), nil, 11, "horn was told ON and says nothing"},
		{"follows", options(), map[int]string{2: "ON"}, 59, ""},
		{"follows, with a line end", options(), map[int]string{2: "ON\r\n"}, 59, ""},
		{"does not", options(), map[int]string{2: "OFF"}, 11, "horn was told ON and says OFF"},
		{"follows and falls off", options(), map[int]string{2: "ON", 30: "OFF"}, 31, "horn was told ON and says OFF"},
		{"says what it likes", options(), map[int]string{2: strings.Repeat("x", 5000) + "\x00"}, 11, "horn was told ON and says " + strings.Repeat("x", 20) + "…"},
		{"silent from the start", quiet, nil, 61, "horn has said nothing since the start"},
		{"silent", quiet, map[int]string{5: "ON"}, 66, "horn has said nothing for 61 s"},
		{"not silent", quiet, map[int]string{5: "ON"}, 59, ""},
		{"cannot say", deaf, nil, 59, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h := horn.New(tt.opt)
			for s := range tt.at + 1 {
				h.Due(at(s), call)
				if w, ok := tt.heard[s]; ok {
					h.Heard(at(s), w)
				}
			}
			if got := h.Trouble(at(tt.at)); got != tt.want {
				t.Errorf("%q, want %q", got, tt.want)
			}
		})
	}
}

// TestShift holds that a step of the clock neither cuts a sounding short nor
// makes trouble.
func TestShift(t *testing.T) {
	for _, by := range []time.Duration{-time.Hour, time.Hour} {
		h := horn.New(options())
		call := horn.Call{Since: start, Newest: start}
		h.Due(start, call)
		h.Heard(start, "ON")
		h.Shift(by)
		moved := horn.Call{Since: start.Add(by), Newest: start.Add(by)}
		if p, news := h.Due(at(59).Add(by), moved); p != "ON" || news {
			t.Errorf("%v: told %s, news %v", by, p, news)
		}
		if p, news := h.Due(at(60).Add(by), moved); p != "OFF" || !news {
			t.Errorf("%v: told %s, news %v", by, p, news)
		}
		if got := h.Trouble(at(61).Add(by)); got != "" {
			t.Errorf("%v: %s", by, got)
		}
	}
}

func TestAgain(t *testing.T) {
	h := horn.New(options())
	h.Due(start, horn.Call{})
	if _, news := h.Due(at(1), horn.Call{}); news {
		t.Error("told twice")
	}
	h.Again()
	if p, news := h.Due(at(2), horn.Call{}); p != "OFF" || !news {
		t.Errorf("told %s, news %v", p, news)
	}
}
