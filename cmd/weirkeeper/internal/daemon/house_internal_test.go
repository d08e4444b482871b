package daemon

import (
	"fmt"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/config"
	"weirkeeper/ingest"
	"weirkeeper/notify/horn"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/site"
)

// The times are invented.
var dusk = time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)

// TestHouse plays a horn and another daemon second by second and lists what was
// said to them and what the engine was told.
func TestHouse(t *testing.T) {
	ring := horn.Call{Since: dusk, Newest: dusk}
	from := func(topic, payload string) ingest.Message {
		return ingest.Message{Topic: topic, Payload: []byte(payload)}
	}
	kept := from("upper/alive", `{"site":"Upper Alder"}`)
	kept.Retained = true
	for _, tt := range []struct {
		name  string
		heard map[int]ingest.Message
		call  map[int]horn.Call
		down  [2]int // without a link in these seconds
		end   int
		want  []string
	}{
		{
			"all well",
			map[int]ingest.Message{0: from("horn/state", "OFF"), 10: from("upper/alive", `{"site":"Upper Alder","more":1}`)},
			nil,
			[2]int{},
			40,
			[]string{`0 horn=OFF`, `0 alive={"site":"Alder Fork","at":"2026-11-25T20:00:00Z"}`, "0 horn true all well", "0 peer true all well", `30 alive={"site":"Alder Fork","at":"2026-11-25T20:00:30Z"}`},
		},
		{
			"the horn does not follow",
			map[int]ingest.Message{0: from("horn/state", "OFF"), 25: from("horn/state", "ON")},
			map[int]horn.Call{5: ring},
			[2]int{},
			29,
			[]string{`0 horn=OFF`, `0 alive={"site":"Alder Fork","at":"2026-11-25T20:00:00Z"}`, "0 horn true all well", "0 peer true all well", "5 horn=ON", "16 horn false hatch house was told ON and says OFF", "25 horn true all well"},
		},
		{
			"the other says nothing",
			map[int]ingest.Message{0: from("horn/state", "OFF"), 1: kept, 2: from("upper/alive", "garbage"), 3: from("upper/alive", `{}`)},
			nil,
			[2]int{},
			70,
			[]string{`0 horn=OFF`, `0 alive={"site":"Alder Fork","at":"2026-11-25T20:00:00Z"}`, "0 horn true all well", "0 peer true all well", `30 alive={"site":"Alder Fork","at":"2026-11-25T20:00:30Z"}`, `60 alive={"site":"Alder Fork","at":"2026-11-25T20:01:00Z"}`, "61 peer false upper has said nothing since the start"},
		},
		{
			"the other is unwell, falls silent, comes back",
			map[int]ingest.Message{0: from("horn/state", "OFF"), 1: from("upper/alive", `{"site":"Upper Alder","wrong":"starting"}`), 2: from("upper/alive", `{"site":"Upper Alder","wrong":"no\nbroker `+strings.Repeat("x", 300)+`"}`), 60: from("upper/alive", `{"site":"Upper Alder","wrong":"no\nbroker `+strings.Repeat("x", 300)+`"}`), 130: from("upper/alive", `{"site":"Upper Alder"}`)},
			nil,
			[2]int{},
			131,
			[]string{
				`0 horn=OFF`, `0 alive={"site":"Alder Fork","at":"2026-11-25T20:00:00Z"}`, "0 horn true all well", "0 peer true all well",
				`30 alive={"site":"Alder Fork","at":"2026-11-25T20:00:30Z"}`, `60 alive={"site":"Alder Fork","at":"2026-11-25T20:01:00Z"}`,
				"61 peer false upper says: no broker " + strings.Repeat("x", 190), `90 alive={"site":"Alder Fork","at":"2026-11-25T20:01:30Z"}`, `120 alive={"site":"Alder Fork","at":"2026-11-25T20:02:00Z"}`,
				"121 peer false upper has said nothing for 60 s", "130 peer true all well",
			},
		},
		{
			"the other starts anew, and is unwell for a moment later",
			map[int]ingest.Message{0: from("upper/alive", `{"site":"Upper Alder","wrong":"starting"}`), 10: from("upper/alive", `{"site":"Upper Alder"}`), 50: from("upper/alive", `{"site":"Upper Alder","wrong":"no broker"}`), 80: from("upper/alive", `{"site":"Upper Alder"}`)},
			nil,
			[2]int{},
			81,
			[]string{
				`0 horn=OFF`, `0 alive={"site":"Alder Fork","at":"2026-11-25T20:00:00Z"}`, "0 horn true all well", "0 peer true all well",
				"11 horn false hatch house was told OFF and says nothing", `30 alive={"site":"Alder Fork","at":"2026-11-25T20:00:30Z"}`, `60 alive={"site":"Alder Fork","at":"2026-11-25T20:01:00Z"}`,
			},
		},
		{
			"without a link nobody is judged, and after it the horn is told again",
			map[int]ingest.Message{0: from("horn/state", "OFF"), 1: from("upper/alive", `{"site":"Upper Alder"}`)},
			nil,
			[2]int{20, 90},
			140,
			[]string{
				`0 horn=OFF`, `0 alive={"site":"Alder Fork","at":"2026-11-25T20:00:00Z"}`, "0 horn true all well", "0 peer true all well", `30 alive={"site":"Alder Fork","at":"2026-11-25T20:00:30Z"}`,
				`60 alive={"site":"Alder Fork","at":"2026-11-25T20:01:00Z"}`, "90 horn=OFF", `90 alive={"site":"Alder Fork","at":"2026-11-25T20:01:30Z"}`, `120 alive={"site":"Alder Fork","at":"2026-11-25T20:02:00Z"}`,
			},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			second := 0
			c := &config.Config{
				Site:  &site.Site{Name: "Alder Fork"},
				Horns: []config.Horn{{Name: "hatch house", Topic: "horn", On: "ON", Off: "OFF", Feedback: "horn/state", Within: 10 * time.Second, Longest: time.Minute}},
				Alive: &config.Alive{Topic: "alive", Every: 30 * time.Second},
				Peers: []config.Peer{{Name: "upper", Topic: "upper/alive", Silent: time.Minute}},
			}
			c.CallOut.Repeat = 15 * time.Minute
			h := newHouse(c, func(topic string, payload []byte, retained bool) {
				if retained != (topic == "horn") {
					t.Errorf("%s retained: %v", topic, retained)
				}
				got = append(got, fmt.Sprintf("%d %s=%s", second, topic, payload))
			}, func() bool { return second < tt.down[0] || second >= tt.down[1] }, func() string { return "" })
			if d := cmp.Diff([]string{"horn/state", "upper/alive"}, h.topics()); d != "" {
				t.Error(d)
			}
			var call horn.Call
			for second = range tt.end + 1 {
				now := dusk.Add(time.Duration(second) * time.Second)
				if m, ok := tt.heard[second]; ok && !h.hears(now, m) {
					t.Errorf("%s is nobody's", m.Topic)
				}
				if c, ok := tt.call[second]; ok {
					call = c
				}
				for _, s := range h.tick(now, call) {
					got = append(got, fmt.Sprintf("%d %s %v %s", second, s.part, s.ok, s.detail))
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
			if h.hears(dusk, from("elsewhere", "ON")) {
				t.Error("took what is another's")
			}
		})
	}
}

func TestUnanswered(t *testing.T) {
	at := func(m int) time.Time { return dusk.Add(time.Duration(m) * time.Minute) }
	view := func(m int, p alarm.Priority, s alarm.State, hidden string) rules.AlarmView {
		return rules.AlarmView{Priority: p, State: s, Since: at(m), Hidden: hidden}
	}
	got := unanswered([]rules.AlarmView{
		view(5, alarm.CallOut, alarm.Unacknowledged, ""), view(3, alarm.CallOut, alarm.Unacknowledged, ""), view(1, alarm.CallOut, alarm.Acknowledged, ""),
		view(0, alarm.Morning, alarm.Unacknowledged, ""), view(9, alarm.CallOut, alarm.Unacknowledged, "being cleaned"), view(9, alarm.CallOut, alarm.LatchedUnacknowledged, ""),
	})
	if d := cmp.Diff(horn.Call{Since: at(3), Newest: at(5)}, got); d != "" {
		t.Error(d)
	}
	if got := unanswered(nil); !got.Since.IsZero() {
		t.Errorf("%+v", got)
	}
}

// TestDrillPlan goes through seasons minute by minute and lists the drills that
// are held; each is answered after three minutes but for those that nobody
// answers.
func TestDrillPlan(t *testing.T) {
	london, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	wednesday := [7]bool{time.Wednesday: true}
	for _, tt := range []struct {
		name  string
		plan  config.Drill
		from  time.Time
		days  int
		off   func(time.Time) bool // the computer is off, or people are called out
		want  []string
		wrong string // the last detail that is not well
	}{
		{
			"each week, over the end of summer time",
			config.Drill{Days: wednesday, Minute: 14 * 60, Every: 1},
			time.Date(2026, 10, 20, 0, 0, 0, 0, london), 16, nil,
			[]string{"Wed 21 Oct 14:00 BST", "Wed 28 Oct 14:00 GMT", "Wed 4 Nov 14:00 GMT"},
			"",
		},
		{
			"every second week",
			config.Drill{Days: wednesday, Minute: 14 * 60, Every: 2},
			time.Date(2026, 11, 3, 0, 0, 0, 0, london), 30, nil,
			[]string{"Wed 4 Nov 14:00 GMT", "Wed 18 Nov 14:00 GMT", "Wed 2 Dec 14:00 GMT"},
			"",
		},
		{
			"an hour late",
			config.Drill{Days: wednesday, Minute: 14 * 60, Every: 1},
			time.Date(2026, 11, 3, 0, 0, 0, 0, london), 8,
			func(at time.Time) bool { return at.Day() == 4 && at.Hour() < 15 },
			[]string{"Wed 4 Nov 15:00 GMT"},
			"",
		},
		{
			"too late",
			config.Drill{Days: wednesday, Minute: 14 * 60, Every: 1},
			time.Date(2026, 11, 3, 0, 0, 0, 0, london), 10,
			func(at time.Time) bool { return at.Day() == 4 },
			[]string{"Wed 11 Nov 14:00 GMT"},
			"",
		},
		{
			"at an hour that is not there that day",
			config.Drill{Days: [7]bool{true}, Minute: 90, Every: 1},
			time.Date(2027, 3, 27, 0, 0, 0, 0, london), 9, nil,
			[]string{"Sun 28 Mar 02:30 BST", "Sun 4 Apr 01:30 BST"},
			"",
		},
		{
			"none for a month",
			config.Drill{Days: wednesday, Minute: 14 * 60, Every: 1},
			time.Date(2026, 10, 27, 0, 0, 0, 0, london), 32,
			func(at time.Time) bool { return at.Month() == time.November },
			[]string{"Wed 28 Oct 14:00 GMT"},
			"no drill was held since Wed 28 Oct 14:03",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := drills{plan: &tt.plan, zone: london}
			var got []string
			wrong := ""
			for at := tt.from; at.Before(tt.from.AddDate(0, 0, tt.days)); at = at.Add(time.Minute) {
				if tt.off != nil && tt.off(at.In(london)) {
					if ok, detail := d.state(at); !ok && detail != "" {
						wrong = detail
					}
					continue
				}
				if d.due(at) {
					got = append(got, at.In(london).Format("Mon 2 Jan 15:04 MST"))
					d.take(act.Act{Kind: act.DrillStarted, At: at, Until: at.Add(time.Hour)})
				}
				if o := d.open(at); o != nil && at.Sub(o.At) >= 3*time.Minute {
					d.take(act.Act{Kind: act.DrillAnswered, At: at, By: "kim"})
				}
				if ok, detail := d.state(at); !ok && detail != "" {
					wrong = detail
				}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Error(diff)
			}
			if wrong != tt.wrong {
				t.Errorf("wrong: %q, want %q", wrong, tt.wrong)
			}
		})
	}
}

func TestDrillMissed(t *testing.T) {
	d := drills{zone: time.UTC}
	at := func(m int) time.Time { return dusk.Add(time.Duration(m) * time.Minute) }
	check := func(m int, open, ok bool, detail string) {
		t.Helper()
		if got := d.open(at(m)) != nil; got != open {
			t.Errorf("%d min: open %v", m, got)
		}
		if gotOK, got := d.state(at(m)); gotOK != ok || got != detail {
			t.Errorf("%d min: %v %q, want %v %q", m, gotOK, got, ok, detail)
		}
	}
	check(0, false, false, "")
	d.take(act.Act{Kind: act.DrillStarted, At: at(0), Until: at(30)})
	check(0, true, false, "")
	check(29, true, false, "")
	check(30, false, false, "nobody answered the drill of Wed 25 Nov 20:00 within 30 min")
	d.take(act.Act{Kind: act.DrillStarted, At: at(100), Until: at(130)})
	check(101, true, false, "")
	d.take(act.Act{Kind: act.DrillAnswered, At: at(103), By: "rowan"})
	check(103, false, true, "answered by rowan on Wed 25 Nov 21:43 after 3 min")
	check(131, false, true, "answered by rowan on Wed 25 Nov 21:43 after 3 min")
}

func TestMailBeats(t *testing.T) {
	c := &config.Config{Site: &site.Site{Name: "Alder Fork"}, Heartbeats: []config.Heartbeat{
		{Name: "by mail", Email: "watch@pond.example", Every: 24 * time.Hour}, {Name: "by request", URL: "http://192.0.2.1/", Every: time.Minute},
	}}
	b := newMailBeats(c)
	first := b.due(dusk)
	if len(first) != 1 || first[0].Address != "watch@pond.example" || first[0].Way != callout.Email || first[0].Reason != callout.Heartbeat {
		t.Fatalf("%+v", first)
	}
	if got := b.due(dusk.Add(24*time.Hour - time.Second)); len(got) > 0 {
		t.Errorf("too soon: %+v", got)
	}
	// After a restart it goes on from what the outbox has.
	b = newMailBeats(c)
	b.restore(first)
	if got := b.due(dusk.Add(time.Hour)); len(got) > 0 {
		t.Errorf("again after a restart: %+v", got)
	}
	if got := b.due(dusk.Add(24 * time.Hour)); len(got) != 1 {
		t.Errorf("not due after a day: %+v", got)
	}
	if b.longest() != 24*time.Hour {
		t.Errorf("longest %v", b.longest())
	}
}
