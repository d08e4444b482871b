package page

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/replay"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
	"weirkeeper/rules/tally"
)

// ruleShelf is a record of two hours in which the flow of trough 1 falls to
// 30 L/min for half an hour.
type ruleShelf struct {
	site     *site.Site
	program  *lang.Program
	bound    time.Duration // that a what-if was given
	asked    [2]time.Time
	unread   error
	readings bool
}

var rulesNow = rulestest.Start.Add(2 * time.Hour)

func newRuleShelf() *ruleShelf {
	trough := []lang.Watch{{Unit: "trough 1", Probe: "trough 1 flow", Setpoint: 28}}
	low := lang.Rule{
		Kind: alarm.LowFlow, Name: "trough <script>alert(1)</script>", At: "rules.hcl:3", Priority: alarm.CallOut,
		OnDelay: 2 * time.Minute, OffDelay: 5 * time.Minute, Deadband: 1, ReAlarm: time.Hour, Latch: true,
		CanHappen: "a leaf <b>", ToDo: "clean the screen", Watches: trough,
	}
	night := low
	night.Watches, night.At = []lang.Watch{{Unit: "trough 1", Probe: "trough 1 flow", Setpoint: 20}}, "rules.hcl:9"
	low.Whiles = []lang.While{{Holding: []site.Content{site.SacFry, site.Eggs}, From: 22 * 60, To: 5 * 60, Rule: &night}, {Holding: []site.Content{site.Empty}, Off: true}}
	return &ruleShelf{site: rulestest.Site(), readings: true, program: &lang.Program{Rules: []lang.Rule{
		low,
		{Kind: alarm.TemperatureBand, Name: "eggs", At: "rules.hcl:20", Priority: alarm.Morning, Low: 4, High: 12, HasLow: true, HasHigh: true, Deadband: 0.5, Watches: []lang.Watch{
			{Unit: "stack 1", Probe: "stack 1 temperature"}, {Unit: "stack 2", Probe: "stack 2 temperature"},
		}},
		{Kind: alarm.SilentProbe, Name: "silence", At: "rules.hcl:30", Priority: alarm.Note, Watches: []lang.Watch{
			{Unit: "spring", Probe: "spring flow", After: 10 * time.Minute}, {Unit: "spring", Probe: "spring oxygen", After: time.Hour},
		}},
	}}}
}

func (s *ruleShelf) Program() *lang.Program { return s.program }

func (s *ruleShelf) Tally(_ context.Context, from, to time.Time) (tally.Tally, error) {
	s.asked = [2]time.Time{from, to}
	return tally.Tally{Rules: []tally.Rule{{
		Kind: alarm.LowFlow, Name: s.program.Rules[0].Name, Raised: 7, False: 2, Answered: 3, Median: 6 * time.Minute, Worst: 40 * time.Minute, Standing: 1, StandingLong: 1, Chattering: 1,
	}}}, s.unread
}

func (s *ruleShelf) Past(ctx context.Context, from, to time.Time) (replay.Input, error) {
	s.asked = [2]time.Time{from, to}
	if until, ok := ctx.Deadline(); ok {
		s.bound = time.Until(until)
	}
	var rows []reading.Reading
	for at := rulestest.Start; s.readings && at.Before(rulesNow); at = at.Add(time.Minute) {
		v := 40.0
		if m := at.Sub(rulestest.Start).Minutes(); m >= 60 && m < 90 {
			v = 30
		}
		rows = append(rows, rulestest.Reading("trough 1 flow", at, v))
	}
	return replay.Input{Site: s.site, From: rulestest.Start, To: to, Streams: func(from, to time.Time) []replay.Stream {
		var within []reading.Reading
		for _, r := range rows {
			if !r.At.Before(from) && r.At.Before(to) {
				within = append(within, r)
			}
		}
		return []replay.Stream{replay.Slice(within)}
	}}, errors.Join(s.unread, ctx.Err())
}

func (s *ruleShelf) handler(role access.Role) (*Rules, http.Handler) {
	p := NewRules(s, s.site, func() time.Time { return rulesNow })
	return p, signedIn("kim", role, p.Mount(Static()))
}

func (s *ruleShelf) form(setpoint, weeks string) url.Values {
	r := &s.program.Rules[0]
	return url.Values{"kind": {string(r.Kind)}, "rule": {r.Name}, "setpoint": {setpoint}, "weeks": {weeks}}
}

func TestRulesPage(t *testing.T) {
	s := newRuleShelf()
	_, h := s.handler(access.Work)
	for name, path := range map[string]string{"rules.html": "/rules", "rules-es.html": "/rules?lang=es"} {
		code, body := ask(t, h, path)
		if code != http.StatusOK || strings.Contains(body, "<script>alert") || strings.Contains(body, "leaf <b>") {
			t.Errorf("%s: status %d, or words of the rules are not escaped", path, code)
		}
		golden(t, name, body)
	}
	if want := [2]time.Time{rulesNow.AddDate(0, 0, -30), rulesNow}; s.asked != want {
		t.Errorf("statistics of %v, want %v", s.asked, want)
	}
	_, h = s.handler(access.Look)
	if code, body := ask(t, h, "/rules"); code != http.StatusOK || strings.Contains(body, "what-if") {
		t.Errorf("whoever only looks: status %d, or offered a what-if", code)
	}
}

// TestWhatIf: 35 L/min would have called somebody once, for the half hour at
// 30 L/min; 28 L/min did not. The rules that run stay as they are.
func TestWhatIf(t *testing.T) {
	s := newRuleShelf()
	before := newRuleShelf().program
	p, h := s.handler(access.Work)
	code, body, _ := post(t, h, "/rules/what-if", s.form("35", "2"))
	if code != http.StatusOK {
		t.Fatalf("status %d: %s", code, plainText(body))
	}
	golden(t, "whatif.html", body)
	_, side, _ := strings.Cut(plainText(body), "With 35.0 L/min")
	for _, want := range []string{"Alarms of this rule: 1, of which somebody was called out for 1.", "lasted 33 min", "as it runs, "} {
		if !strings.Contains(side, want) {
			t.Errorf("%q is not in %s", want, side)
		}
	}
	if diff := cmp.Diff(before, s.program); diff != "" {
		t.Errorf("the rules that run were changed:\n%s", diff)
	}
	if want := [2]time.Time{rulesNow.AddDate(0, 0, -14), rulesNow}; s.asked != want {
		t.Errorf("played %v, want %v", s.asked, want)
	}
	if s.bound <= 0 || s.bound > whatIfTime {
		t.Errorf("bounded by %v, want at most %v", s.bound, whatIfTime)
	}
	if len(p.one) != 0 {
		t.Error("nobody else could play now")
	}
}

func TestWhatIfRefused(t *testing.T) {
	tests := []struct {
		name   string
		role   access.Role
		change func(*ruleShelf, *Rules, url.Values)
		code   int
		want   string
	}{
		{"looks only", access.Look, func(*ruleShelf, *Rules, url.Values) {}, http.StatusForbidden, "sign in"},
		{"no such rule", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("rule", "none") }, http.StatusNotFound, "read anew"},
		{"no number", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("setpoint", "<script>alert(1)</script>") }, http.StatusUnprocessableEntity, "not a number"},
		{"not finite", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("setpoint", "NaN") }, http.StatusUnprocessableEntity, "not a number"},
		{"below zero", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("setpoint", "-3") }, http.StatusUnprocessableEntity, "plausibly"},
		{"above the probe with its deadband", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("setpoint", "399.5") }, http.StatusUnprocessableEntity, "plausibly"},
		{"no week", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("weeks", "0") }, http.StatusUnprocessableEntity, "1 to 4"},
		{"too many weeks", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("weeks", "5") }, http.StatusUnprocessableEntity, "1 to 4"},
		{"two setpoints", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("kind", "temperature_band"); f.Set("rule", "eggs") }, http.StatusUnprocessableEntity, "no one setpoint"},
		{"another is played", access.Work, func(_ *ruleShelf, p *Rules, _ url.Values) { p.one <- struct{}{} }, http.StatusTooManyRequests, "Another what-if"},
		{"record unreadable", access.Work, func(s *ruleShelf, _ *Rules, _ url.Values) { s.unread = errors.New("disk") }, http.StatusInternalServerError, "could not be read"},
		{"no readings", access.Work, func(s *ruleShelf, _ *Rules, _ url.Values) { s.readings = false }, http.StatusUnprocessableEntity, "no readings"},
		{"form too large", access.Work, func(_ *ruleShelf, _ *Rules, f url.Values) { f.Set("setpoint", strings.Repeat("9", maxWhatIf)) }, http.StatusBadRequest, "cannot be read"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newRuleShelf()
			p, h := s.handler(tt.role)
			f := s.form("35", "1")
			tt.change(s, p, f)
			held := len(p.one)
			code, body, _ := post(t, h, "/rules/what-if", f)
			if code != tt.code || !strings.Contains(body, tt.want) {
				t.Errorf("status %d, want %d with %q:\n%s", code, tt.code, tt.want, plainText(body))
			}
			if strings.Contains(body, "<script>alert") {
				t.Error("a script that was typed stands on the page")
			}
			if len(p.one) != held {
				t.Error("the turn was not given back, or was taken from another")
			}
		})
	}
}

// TestRuleWords: every kind, priority and content has its words in each language.
func TestRuleWords(t *testing.T) {
	s := newRuleShelf()
	p, h := s.handler(access.Work)
	for _, k := range []alarm.Kind{
		alarm.LowFlow, alarm.TemperatureDrift, alarm.FromSpring, alarm.TemperatureBand, alarm.LowOxygen, alarm.SilentProbe, alarm.MissedChore, alarm.HighFlow, alarm.HighOxygen, alarm.FastChange,
		alarm.SlowDrift, alarm.FromSister, alarm.WaterBalance, alarm.StuckProbe, alarm.JumpingProbe, alarm.ImpossibleValue, alarm.ProbeInAir, alarm.Contact, alarm.Condition,
	} {
		for i, priority := range alarm.Priorities() {
			r := lang.Rule{Kind: k, Name: "any", Priority: priority, Deadband: 1, HasLow: i == 0, HasHigh: i > 0, Watches: []lang.Watch{{Unit: "trough 1", Probe: "trough 1 flow"}}}
			for _, c := range site.Contents() {
				r.Whiles = append(r.Whiles, lang.While{Holding: []site.Content{c}, Off: true})
			}
			s.program.Rules = append(s.program.Rules, r)
		}
	}
	for _, l := range Languages() {
		code, body := ask(t, h, "/rules?lang="+string(l))
		if m := regexp.MustCompile(`rules\.[a-z_-]+\b`).FindString(strings.ReplaceAll(plainText(body), "rules.hcl", "")); code != http.StatusOK || m != "" || strings.Contains(body, "%!") {
			t.Errorf("%s: status %d, key %q, or words that do not fit", l.Name(), code, m)
		}
	}
	for i := range s.program.Rules {
		r := &s.program.Rules[i]
		d, ok := p.dial(r)
		if !ok {
			continue
		}
		v := d.value + 1
		changedTo, _ := p.dial(&changed(s.program, r, d, v).Rules[i])
		if changedTo.value != v || d.value == v {
			t.Errorf("%s: changed to %v, want %v", r.Kind, changedTo.value, v)
		}
	}
}
