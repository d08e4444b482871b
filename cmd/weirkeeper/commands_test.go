package main

import (
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/alarm"
)

const answerSite = `
site "Answer" {
  timezone = "UTC"
}
unit "spring" {
  kind = "spring"
}
unit "trough 1" {
  kind = "trough"
}
probe "spring flow" {
  quantity = "flow"
  at       = "spring"
  topic    = "answer/flow"
}
chore "cleaning" {
  kinds = ["trough"]
  by    = ["10:00"]
}
person "kim" {
  email = "kim@alderfork.example"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

const answerRules = `
low_flow "spring" {
  covers {
    kinds = ["spring"]
  }
  setpoint   = "100 L/min"
  on_delay   = "0 s"
  off_delay  = "0 s"
  re_alarm   = "20 min"
  priority   = "call-out"
  can_happen = "Everything below goes dry."
  to_do      = "Look at the intake."
}
missed_chore "cleaning" {
  chore      = "cleaning"
  priority   = "morning"
  can_happen = "Fungus."
  to_do      = "Clean it."
}
`

// TestAnswers drives a daemon by its commands: an alarm acknowledged, a chore
// missed and then done, and what is refused.
func TestAnswers(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": answerSite, "rules.hcl": answerRules})
	now := time.Date(2026, 11, 20, 9, 59, 0, 0, time.UTC)
	d := startInProcess(t, dir, now)
	addr, err := d.BrokerAddr(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "the daemon is connected", func() bool { d.advance(t, time.Second); return d.Health() == "" })
	pub := sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://" + addr, ClientID: "probe", Log: slog.New(slog.DiscardHandler)})
	defer pub.Close()
	publish := func(payload string) {
		t.Helper()
		if err := pub.Publish(t.Context(), []sim.Due{{Topic: "answer/flow", Payload: []byte(payload)}}); err != nil {
			t.Fatal(err)
		}
		d.advance(t, 2*time.Second) // the second tick is taken when the first is done
	}
	command := func(args ...string) (code int, said string) {
		t.Helper()
		e, out, errs := testEnv()
		args = append([]string{args[0], "--at", d.WebAddr()}, args[1:]...)
		code = run(t.Context(), args, e)
		return code, out.String() + errs.String()
	}
	state := func(key alarm.Key) alarm.State {
		t.Helper()
		d.advance(t, 2*time.Second)
		for _, a := range d.Status().Alarms {
			if a.Key == key {
				return a.State
			}
		}
		return alarm.Normal
	}
	const flow, cleaning = alarm.Key("low_flow/spring/spring flow"), alarm.Key("missed_chore/cleaning/trough 1")

	if code, said := command("ack", "--by", "kim", "low_flow/nothing"); code != exitFault || !strings.Contains(said, "waits for an answer") {
		t.Errorf("ack of no alarm: exit code %d, %s", code, said)
	}
	publish("42")
	if got := state(flow); got != alarm.Unacknowledged {
		t.Fatalf("low flow is %s", got)
	}
	if page := get(t, "http://"+d.WebAddr()+"/"); !strings.Contains(page, "Spring: low flow: 42.0 L/min, setpoint 100.0 L/min") || !strings.Contains(page, `weirkeeper ack --by YOUR-NAME "low_flow/spring/spring flow"`) {
		t.Errorf("the page says:\n%s", page)
	}
	if code, said := command("ack", "--by", "kmi"); code != exitOK || !strings.Contains(said, "Answered: Spring: low flow, 42.0 L/min") || !strings.Contains(said, "in 20 min it calls again") || !strings.Contains(said, `"kmi" is nobody in the site file`) {
		t.Errorf("ack: exit code %d, %s", code, said)
	}
	if got := state(flow); got != alarm.Acknowledged {
		t.Errorf("after the answer low flow is %s", got)
	}
	publish("142")
	if got := state(flow); got != alarm.Normal {
		t.Errorf("after the return low flow is %s", got)
	}

	if got := state(cleaning); got != alarm.Normal {
		t.Errorf("before its hour cleaning is %s", got)
	}
	d.advance(t, 3*time.Minute)
	if got := state(cleaning); got != alarm.Unacknowledged {
		t.Errorf("after its hour cleaning is %s", got)
	}
	if code, said := command("done", "--by", "kim", "cleaning", "trough 9"); code != exitFault || !strings.Contains(said, `no chore "cleaning" at "trough 9"`) {
		t.Errorf("done at no unit: exit code %d, %s", code, said)
	}
	if code, said := command("ack", "--by", "kim", string(flow)); code != exitFault {
		t.Errorf("ack of what is over: exit code %d, %s", code, said)
	}
	if code, said := command("done", "cleaning", "trough 1", "--by", "kim"); code != exitOK {
		t.Errorf("done: exit code %d, %s", code, said)
	}
	if got := state(cleaning); got != alarm.ReturnedUnacknowledged {
		t.Errorf("after it was done cleaning is %s", got)
	}
	done, err := d.Ledger().ChoresDone(t.Context(), now)
	if err != nil || len(done) != 1 || done[0].By != "kim" {
		t.Errorf("chores done: %+v, %v", done, err)
	}

	t.Run("refused", func(t *testing.T) {
		tests := []struct {
			name, body string
			header     map[string]string
			code       int
		}{
			{"no header", `{"by":"kim"}`, nil, http.StatusForbidden},
			{"from a web page", `{"by":"kim"}`, map[string]string{web.LocalHeader: "1", "Origin": "http://elsewhere.example"}, http.StatusForbidden},
			{"nobody", `{"by":" "}`, map[string]string{web.LocalHeader: "1"}, http.StatusBadRequest},
			{"no command", `{`, map[string]string{web.LocalHeader: "1"}, http.StatusBadRequest},
			{"unknown word", `{"by":"kim","wipe":true}`, map[string]string{web.LocalHeader: "1"}, http.StatusBadRequest},
			{"too long", `{"by":"` + strings.Repeat("k", 5000) + `"}`, map[string]string{web.LocalHeader: "1"}, http.StatusBadRequest},
		}
		for _, tt := range tests {
			req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+d.WebAddr()+"/acknowledge", strings.NewReader(tt.body))
			if err != nil {
				t.Fatal(err)
			}
			req.Close = true
			for k, v := range tt.header {
				req.Header.Set(k, v)
			}
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			_ = resp.Body.Close()
			if resp.StatusCode != tt.code {
				t.Errorf("%s: status %d, want %d", tt.name, resp.StatusCode, tt.code)
			}
		}
	})

	t.Run("history", func(t *testing.T) {
		shown := get(t, "http://"+d.WebAddr()+"/history?probe=spring+flow&last=6h")
		has(t, shown, "<td class=\"number\">142.0 L/min</td>", "Spring: low flow", "at least ")
		if rows := strings.Count(get(t, "http://"+d.WebAddr()+"/history.csv?probe=spring+flow&last=6h"), "\r\nspring flow,"); rows != 2 {
			t.Errorf("%d readings in the file", rows)
		}
	})

	t.Run("metrics", func(t *testing.T) {
		text := get(t, "http://"+d.WebAddr()+"/metrics")
		problems, err := promlint.New(strings.NewReader(text)).Lint()
		if err != nil || len(problems) > 0 {
			t.Errorf("lint: %v %v", problems, err)
		}
		for _, want := range []string{
			`weirkeeper_readings_total{result="stored"} 2`, `weirkeeper_probe_reading_age_seconds{probe="spring flow"}`,
			`weirkeeper_alarms_active{priority="call-out"} 0`, `weirkeeper_commit_seconds_count`, `weirkeeper_outbox_depth`,
			`weirkeeper_broker_connected 1`,
		} {
			if !strings.Contains(text, want) {
				t.Errorf("%s is not among the metrics", want)
			}
		}
	})
}

// TestTwoDaemons: a second daemon on the same record is refused.
func TestTwoDaemons(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": answerSite, "rules.hcl": answerRules})
	startInProcess(t, dir, time.Date(2026, 11, 20, 9, 0, 0, 0, time.UTC))
	e, _, errs := testEnv()
	if code := run(t.Context(), []string{"run", "--site", dir + "/site.hcl"}, e); code != exitFault || !strings.Contains(errs.String(), "another weirkeeper") {
		t.Errorf("exit code %d: %s", code, errs)
	}
}
