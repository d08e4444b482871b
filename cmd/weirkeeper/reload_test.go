package main

import (
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/alarm"
)

// TestReload changes the rules of a running daemon: an alarm that stands and is
// still defined stands as it stood, answered or not; one whose rule is gone ends;
// a new rule watches; files with faults change nothing and are said.
func TestReload(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": answerSite, "rules.hcl": answerRules})
	now := time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)
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
		d.advance(t, 2*time.Second)
	}
	command := func(args ...string) (code int, said string) {
		t.Helper()
		e, out, errs := testEnv()
		code = run(t.Context(), append(args, "--at", d.WebAddr(), "--by", "kim"), e)
		d.advance(t, 2*time.Second)
		return code, out.String() + errs.String()
	}
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, "rules.hcl"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	standing := func() map[alarm.Key]alarm.State {
		t.Helper()
		d.advance(t, 2*time.Second)
		m := map[alarm.Key]alarm.State{}
		for _, a := range d.Status().Alarms {
			m[a.Key] = a.State
		}
		return m
	}
	const flow = alarm.Key("low_flow/spring/spring flow")
	publish("42")
	if code, said := command("ack"); code != exitOK {
		t.Fatal(said)
	}
	if got := standing()[flow]; got != alarm.Acknowledged {
		t.Fatalf("before: %v", got)
	}

	// A lower setpoint and a rule beside it.
	write(strings.Replace(answerRules, "100 L/min", "90 L/min", 1) + strings.Replace(answerRules[:strings.Index(answerRules, "missed_chore")], `low_flow "spring"`, `low_flow "half"`, 1))
	code, said := command("reload")
	if code != exitOK || !strings.Contains(said, "The rules were read anew") {
		t.Fatalf("exit code %d, %s", code, said)
	}
	if got := standing(); got[flow] != alarm.Acknowledged {
		t.Errorf("after the first reload: %v", got)
	}
	publish("43")
	if got := standing(); got[flow] != alarm.Acknowledged || got["low_flow/half/spring flow"] != alarm.Unacknowledged {
		t.Errorf("after a reading: %v", got)
	}
	publish("95") // right by the new setpoint and its deadband, not by the old one
	if got := standing(); got[flow] != alarm.Normal {
		t.Errorf("the new setpoint does not count: %v", got)
	}
	rulePage := func() string {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+d.WebAddr()+"/rules", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Accept", "text/html")
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if page := rulePage(); !strings.Contains(page, ">90.0 L/min<") || !strings.Contains(page, ">half<") {
		t.Errorf("the page shows other rules than those that run:\n%s", page)
	}

	// Faults change nothing.
	write(`low_flow "spring" { setpoint = "5 degC" }`)
	code, said = command("reload")
	if code != exitFault || !strings.Contains(said, "rules read before go on") || !strings.Contains(said, "5 degC") {
		t.Errorf("faulty rules: exit code %d, %s", code, said)
	}
	if got := standing(); got["low_flow/half/spring flow"] != alarm.Unacknowledged || got["self/rules not read anew/rules"] != alarm.Unacknowledged {
		t.Errorf("with faulty rules: %v", got)
	}
	if page := rulePage(); !strings.Contains(page, ">90.0 L/min<") {
		t.Errorf("with faulty rules the page shows other rules than those that run:\n%s", page)
	}
	if page := get(t, "http://"+d.WebAddr()+"/metrics"); !strings.Contains(page, `weirkeeper_rules_reloads_total{result="refused"} 1`) || !strings.Contains(page, `weirkeeper_rules_reloads_total{result="taken"} 1`) {
		t.Error("the metric does not count both")
	}

	// The rule is taken out again: its alarm ends.
	write(answerRules)
	if code, said := command("reload"); code != exitOK {
		t.Fatal(said)
	}
	if got := standing(); len(got) != 0 && (got["low_flow/half/spring flow"] != alarm.Normal || got["self/rules not read anew/rules"] == alarm.Unacknowledged) {
		t.Errorf("after the last reload: %v", got)
	}
	journal, err := d.Ledger().JournalSince(t.Context(), now)
	if err != nil {
		t.Fatal(err)
	}
	gone := 0
	for _, tr := range journal {
		if tr.Key == "low_flow/half/spring flow" && tr.Detail == alarm.NoLongerWatched {
			gone++
		}
	}
	if gone != 1 {
		t.Errorf("%d transitions say that the rule is gone", gone)
	}
}

// TestReloadOnHangup sends the signal to the program itself.
func TestReloadOnHangup(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": answerSite, "rules.hcl": answerRules})
	d := startInProcess(t, dir, time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC))
	hangups := make(chan os.Signal, 1)
	done := make(chan struct{})
	go func() {
		defer close(done)
		reloadOn(t.Context(), hangups, d.Daemon)
	}()
	hangups <- syscall.SIGHUP
	eventually(t, "the rules are read anew", func() bool {
		d.advance(t, time.Second)
		return strings.Contains(get(t, "http://"+d.WebAddr()+"/metrics"), `weirkeeper_rules_reloads_total{result="taken"} 1`)
	})
	_ = done // ends with the test's context
}
