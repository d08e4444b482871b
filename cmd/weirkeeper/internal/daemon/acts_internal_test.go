package daemon

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"weirkeeper/ingest"
	"weirkeeper/notify"
	"weirkeeper/rules"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/site"
)

// What a button sends, and what of it counts. A restart comes where the script
// says so.
func TestPresses(t *testing.T) {
	s := &site.Site{
		Name: "Alder Fork", Location: time.UTC,
		Units:  []site.Unit{{Name: "trough 1", Kind: site.Trough}},
		Chores: []site.Chore{{Name: "cleaning", Units: []string{"trough 1"}, By: []int{600}, SuppressFor: 20 * time.Minute}},
		Buttons: []site.Button{
			{Name: "a / b", Topic: "t", At: "trough 1"},
			{Name: "pressed", Topic: "p", Payload: "1", At: "trough 1", Chore: "cleaning", Done: true},
		},
	}
	start := time.Date(2026, 11, 20, 9, 0, 0, 0, time.UTC)
	type message struct {
		at       time.Duration
		topic    string
		payload  string
		mid      uint16
		dup      bool
		retained bool
		restart  bool // before it
	}
	for _, tt := range []struct {
		name string
		msgs []message
		want string // acts, then chores
	}{
		{"start and finish", []message{{at: 0, topic: "t"}, {at: time.Minute, topic: "t"}}, "started finished +1"},
		{"bounces", []message{{at: 0, topic: "t"}, {at: 100 * time.Millisecond, topic: "t"}, {at: 2*time.Second - 1, topic: "t"}}, "started +0"},
		{"two seconds later it hears again", []message{{at: 0, topic: "t"}, {at: 2 * time.Second, topic: "t"}}, "started finished +1"},
		{"retained", []message{{at: 0, topic: "t", retained: true}}, "+0"},
		{"sent again by the broker", []message{{at: 0, topic: "t", mid: 7}, {at: time.Minute, topic: "t", mid: 7, dup: true}}, "started +0"},
		{"sent again after a restart", []message{{at: 0, topic: "t", mid: 7}, {at: time.Minute, topic: "t", mid: 7, dup: true, restart: true}}, "started +0"},
		{"the same number for another press", []message{{at: 0, topic: "t", mid: 7}, {at: time.Minute, topic: "t", mid: 7}}, "started finished +1"},
		{"sent again, and never taken", []message{{at: 0, topic: "t", mid: 7}, {at: time.Minute, topic: "t", mid: 8, dup: true}}, "started finished +1"},
		{"pressed late: it is finished, and nothing new begins", []message{{at: 0, topic: "t"}, {at: 45 * time.Minute, topic: "t", restart: true}}, "started finished +1"},
		{"pressed hours later: begun again", []message{{at: 0, topic: "t"}, {at: 2 * time.Hour, topic: "t"}}, "started started +0"},
		{"another payload", []message{{at: 0, topic: "p", payload: "0"}}, "+0"},
		{"done", []message{{at: 0, topic: "p", payload: " 1\n"}}, "+1"},
		{"done, of what is being done", []message{{at: 0, topic: "t"}, {at: time.Minute, topic: "p", payload: "1"}}, "started finished +1"},
		{"no button", []message{{at: 0, topic: "x"}}, "+0"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			k := &keeper{
				site: s, engine: rules.New(s, &lang.Program{}), router: notify.NewRouter(notify.Policy{}, nil, notify.Source{ID: newMessageID}),
				log: slog.New(slog.DiscardHandler), metrics: newMetrics(prometheus.NewRegistry()),
			}
			for _, m := range tt.msgs {
				if m.restart {
					k.engine, k.presses = rules.New(s, &lang.Program{}), nil
					if _, err := k.engine.Rebuild(start.Add(m.at), rules.Past{Acts: k.batch.Acts}); err != nil {
						t.Fatal(err)
					}
					k.restorePresses(k.batch.Acts)
				}
				found := k.pressed(ingest.Message{Topic: m.topic, Payload: []byte(m.payload), MID: m.mid, Dup: m.dup, Retained: m.retained, ArrivedAt: start.Add(m.at)})
				if found != (m.topic != "x") {
					t.Errorf("topic %q: a button's is %v", m.topic, found)
				}
			}
			var got []string
			for _, a := range k.batch.Acts {
				got = append(got, strings.TrimPrefix(string(a.Kind), "cleaning "))
			}
			got = append(got, fmt.Sprintf("+%d", len(k.batch.ChoresDone)))
			if s := strings.Join(got, " "); s != tt.want {
				t.Errorf("got %s, want %s", s, tt.want)
			}
		})
	}
}
