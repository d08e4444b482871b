package notify_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// coded is a Source that draws the codes given, then 9000, 9001 and so on.
func coded(codes ...string) notify.Source {
	src, n := counter(), 0
	src.Code = func(time.Time) string {
		n++
		if n <= len(codes) {
			return codes[n-1]
		}
		return fmt.Sprint(9000 + n - len(codes) - 1)
	}
	return src
}

func TestCodes(t *testing.T) {
	now := evening
	l := life{state: map[alarm.Key]alarm.Transition{}}
	src := coded("4711", "4711", "0815", "4711", "0815", "4712", "4713")
	r := notify.NewRouter(policy(), people, src)
	var sent []callout.Message
	var journal []alarm.Transition
	step := func(after time.Duration, key alarm.Key, what string) (codes []string) {
		now = now.Add(after)
		if key != "" {
			tr := l.next(now, key, what)
			journal = append(journal, tr)
			r.Observe(tr)
		}
		for _, m := range r.Due(now, notify.Look{}) {
			sent = append(sent, m)
			codes = append(codes, m.Person+" "+m.Code)
		}
		return codes
	}
	check := func(person, code string, state notify.CodeState, want ...alarm.Key) {
		t.Helper()
		for _, name := range []string{"as it went on", "after a restart"} {
			keys, drill, got := r.Answerable(person, code)
			if diff := cmp.Diff(want, keys); diff != "" || got != state || drill != "" {
				t.Errorf("%s: %s, %s: state %d, want %d, drill %q, alarms (-want +got):\n%s", name, person, code, got, state, drill, diff)
			}
			r = notify.NewRouter(policy(), people, src)
			r.Restore(journal, l.standing(), sent)
		}
	}
	expect := func(got []string, want ...string) {
		t.Helper()
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("codes (-want +got):\n%s", diff)
		}
	}
	check("kim", "4711", notify.CodeWrong)
	expect(step(0, "t3", "raise"), "kim 4711", "rowan 0815") // the same twice is drawn again
	check("kim", "4711", notify.CodeGood, "t3")
	check("rowan", "4711", notify.CodeWrong)
	check("kim", "0815", notify.CodeWrong)
	check("lee", "4711", notify.CodeWrong)
	check("kim", "", notify.CodeWrong)
	step(time.Minute, "t4", "raise") // not told yet: nobody can mean it
	check("kim", "4711", notify.CodeGood, "t3")
	expect(step(time.Minute, "", ""), "kim 4711", "rowan 0815")
	check("kim", "4711", notify.CodeGood, "t3", "t4")
	expect(step(15*time.Minute, "", ""), "kim 4711", "rowan 0815")
	expect(step(time.Minute, "t3", "kim"), "rowan ")
	check("kim", "4711", notify.CodeGood, "t4")
	step(time.Minute, "t4", "return")
	check("kim", "4711", notify.CodeOver)
	check("rowan", "0815", notify.CodeOver)
	// New trouble, new codes; those of before rest.
	expect(step(time.Hour, "warm", "raise"), "kim 4712", "rowan 4713")
	check("kim", "4711", notify.CodeOver)
	check("kim", "4712", notify.CodeGood, "warm")
	step(time.Minute, "warm", "hide") // "pause 30 4712": and then "4712"
	check("kim", "4712", notify.CodeGood, "warm")
}

// A code that is all that is drawn is not given to two people, nor twice in a day.
func TestCodesThatRunOut(t *testing.T) {
	src := counter()
	src.Code = func(time.Time) string { return "9999" }
	r := notify.NewRouter(policy(), people, src)
	l := life{state: map[alarm.Key]alarm.Transition{}}
	var got []string
	for i, at := range []time.Duration{0, time.Hour, 24 * time.Hour, 50 * time.Hour} {
		what := []string{"raise", "return"}
		r.Observe(l.next(evening.Add(at), "t3", what[0]))
		for _, m := range r.Due(evening.Add(at), notify.Look{}) {
			got = append(got, fmt.Sprint(i, " ", m.Person, " ", m.Code))
		}
		r.Observe(l.next(evening.Add(at+10*time.Minute), "t3", what[1]))
		r.Due(evening.Add(at+10*time.Minute), notify.Look{})
	}
	want := []string{"0 kim 9999", "0 rowan 0000", "1 kim 0001", "1 rowan 0002", "2 kim 9999", "2 rowan 0000", "3 kim 9999", "3 rowan 0000"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("codes (-want +got):\n%s", diff)
	}
}

func TestCodeOfADrill(t *testing.T) {
	r := notify.NewRouter(policy(), people, coded("4711", "0815"))
	start := act.Act{ID: "d1", Kind: act.DrillStarted, At: evening, By: "kim", Until: evening.Add(time.Hour)}
	r.DrillStarted(start)
	sent := r.Due(evening, notify.Look{})
	check := func(want string, state notify.CodeState) {
		t.Helper()
		if keys, drill, got := r.Answerable("rowan", "0815"); got != state || drill != want || len(keys) > 0 {
			t.Errorf("state %d, drill %q, alarms %v, want %d, %q", got, drill, keys, state, want)
		}
	}
	check("d1", notify.CodeGood)
	r = notify.NewRouter(policy(), people, coded())
	r.Restore(nil, nil, sent)
	r.RestoreDrills([]act.Act{start})
	check("d1", notify.CodeGood)
	if got := r.Due(evening.Add(time.Minute), notify.Look{}); len(got) > 0 {
		t.Errorf("a restart tells of the drill again: %v", got)
	}
	r.DrillAnswered(act.Act{ID: "a1", Kind: act.DrillAnswered, At: evening.Add(3 * time.Minute), By: "kim"})
	check("", notify.CodeOver)
	var got []string
	for _, m := range r.Due(evening.Add(3*time.Minute), notify.Look{}) {
		got = append(got, summary(m))
	}
	if diff := cmp.Diff([]string{"20:03:00 answered rowan: Drill answered by kim after 3 min"}, got); diff != "" {
		t.Errorf("messages (-want +got):\n%s", diff)
	}
}

func TestReply(t *testing.T) {
	who := []notify.Person{reach("kim", "email sms"), reach("rowan", "email")}
	r := notify.NewRouter(policy(), who, numbered())
	for _, tt := range []struct {
		person string
		via    callout.Way
		want   []string
	}{
		{"kim", callout.SMS, []string{"sms +447700900003"}},
		{"kim", callout.Email, []string{"email kim@alderfork.example"}},
		{"rowan", callout.SMS, []string{"email rowan@alderfork.example"}},
		{"lee", callout.SMS, nil},
	} {
		var got []string
		for _, m := range r.Reply(evening, tt.person, tt.via, "Status", "All is well.", "All well") {
			got = append(got, string(m.Way)+" "+m.Address)
			if m.Reason != callout.Reply || m.Short != "All well" || m.Code != "" || m.Unless != "" || !m.CreatedAt.Equal(evening) {
				t.Errorf("%+v", m)
			}
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%s by %s (-want +got):\n%s", tt.person, tt.via, diff)
		}
	}
}

func TestLink(t *testing.T) {
	p := policy()
	p.Link = func(person, code string, expires time.Time) string {
		return fmt.Sprintf("http://pond.example/a/%s-%s-%s", person, code, expires.Format("02T15:04"))
	}
	r := notify.NewRouter(p, people[:1], numbered())
	l := life{state: map[alarm.Key]alarm.Transition{}}
	r.Observe(l.next(evening, "t3", "raise"))
	if m := r.Due(evening, notify.Look{})[0]; !containsLine(m.Text, "    http://pond.example/a/kim-1001-15T20:00") {
		t.Errorf("no link in\n%s", m.Text)
	}
}
