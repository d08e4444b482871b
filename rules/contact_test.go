package rules_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// contactSite has a contact of the whole site that speaks every hour, and a float
// in the head box.
func contactSite() *site.Site {
	s := rulestest.Site()
	s.Probes = append(s.Probes,
		site.Probe{ID: "mains", Quantity: reading.Contact, Topic: "mains", Format: site.Number, High: 1, Every: time.Hour},
		site.Probe{ID: "float", Quantity: reading.Contact, At: "head box", Topic: "float", Format: site.Number, High: 1, Every: time.Minute})
	return s
}

var (
	mains = block("contact", "m", `probes = ["mains"]`, `alarm_when = "open"; means = "mains power lost"; on_delay = "60 s"`)
	level = block("contact", "l", `units = ["head box"]`, `alarm_when = "closed"; means = "water level low"; on_delay = "60 s"; off_delay = "2 min"`)
)

func TestContactEdges(t *testing.T) {
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{"closed is right", mains, `
			0s   mains = 1
			2h   mains = 1
			3h   tick`, nil},
		{"open: raised by a tick at the on-delay, for it stays so until it says otherwise", mains, `
			0s   mains = 1
			10s  mains = 0
			11s..69s tick every 1s
			70s  tick
			80s  tick`, []string{"1m10s raised contact/m/mains"}},
		{"a flicker starts the on-delay again", mains, `
			0s   mains = 0
			59s  mains = 1
			60s  mains = 0
			61s..119s tick every 1s`, nil},
		{"returns at once", mains, `
			0s   mains = 0
			60s  tick
			2m   mains = 1`, []string{"1m0s raised contact/m/mains", "2m0s returned, not acknowledged contact/m/mains"}},
		{"with an off-delay it waits for a second word", level, `
			0s   float = 1
			1m   float = 1
			2m   float = 0
			239s float = 0
			4m   float = 0`, []string{"1m0s raised contact/l/float", "4m0s returned, not acknowledged contact/l/float"}},
		{"bad again within the off-delay", level, `
			0s   float = 1
			1m   float = 1
			2m   float = 0
			3m   float = 1
			4m   float = 0
			5m   float = 0`, []string{"1m0s raised contact/l/float"}},
		{"a gap in the middle: it goes on", mains, `
			0s   mains = 0
			60s  tick
			5h   tick
			6h   mains = 0
			7h   mains = 1`, []string{"1m0s raised contact/m/mains", "7h0m0s returned, not acknowledged contact/m/mains"}},
		{"what the broker kept and nobody knows how old it is", mains, `
			0s   mains = 0 (retained)
			5m   tick`, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := briefs(play(t, engine(t, contactSite(), tt.rules), tt.script))
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("transitions (-want +got):\n%s", diff)
			}
		})
	}
}

func TestContactWords(t *testing.T) {
	all := play(t, engine(t, contactSite(), mains+level+block("silent_probe", "q", `probes = ["mains"]`, "")), `
		0s mains = 0
		0s float = 1
		60s float = 1
		60s tick
		2m float = 0
		4m float = 0
		4h tick`)
	var got []string
	for _, tr := range all {
		got = append(got, tr.Trouble+" | "+tr.Detail)
	}
	want := []string{
		"Head box: water level low | contact float is closed",
		"Mains power lost | contact mains is open",
		"Head box: water level low | contact float is open",
		"Contact mains silent | nothing usable for 4 h, expected every 1 h",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("words (-want +got):\n%s", diff)
	}
}

// The clock steps while the on-delay runs, and the daemon starts anew: the alarm
// comes when it would have.
func TestContactOverStepAndRestart(t *testing.T) {
	const want = "1m0s raised contact/m/mains"
	e := engine(t, contactSite(), mains)
	play(t, e, "0s mains = 0\n20s tick")
	e.Shift(time.Hour)
	got := briefs(play(t, e, "3659s tick\n3660s tick"))
	if diff := cmp.Diff([]string{"1h1m0s raised contact/m/mains"}, got); diff != "" {
		t.Errorf("over a step (-want +got):\n%s", diff)
	}

	s := contactSite()
	e = rules.New(s, program(t, s, mains))
	at := rulestest.Start.Add(20 * time.Second)
	if _, err := e.Rebuild(at, rules.Past{Readings: sequence([]reading.Reading{rulestest.Reading("mains", rulestest.Start, 0)}), Occurrences: map[alarm.Key]uint64{}}); err != nil {
		t.Fatal(err)
	}
	// A reading has it in time; a tick counts from the start.
	if diff := cmp.Diff([]string{want}, briefs(play(t, e, "59s tick\n60s mains = 0"))); diff != "" {
		t.Errorf("over a restart (-want +got):\n%s", diff)
	}
}
