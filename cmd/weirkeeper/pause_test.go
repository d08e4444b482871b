package main

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/act"
)

// A pause of the whole site stands first on the page, in capitals, also after a
// restart; nobody is called while it lasts, and at its end for what is still
// wrong.
func TestPauseSite(t *testing.T) {
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
	if err := pub.Publish(t.Context(), []sim.Due{{Topic: "answer/flow", Payload: []byte("42")}}); err != nil {
		t.Fatal(err)
	}
	d.advance(t, 2*time.Second)
	const flow = "low_flow/spring/spring flow"
	hidden := func() (why string) {
		for _, a := range d.Status().Alarms {
			if a.Key == flow {
				why = a.Hidden
			}
		}
		return why
	}
	for _, s := range []struct {
		args   string
		code   int
		said   string
		paused bool
	}{
		{"resume", exitFault, "the site is not paused", false},
		{"pause|--for|2 h", exitUsage, "say why", false},
		{"pause|--why|valve", exitUsage, "say for how long, 5 min to 4 h", false},
		{"pause|--why|valve|--for|4 min", exitUsage, "say for how long", false},
		{"pause|--why|valve|--for|5 h", exitUsage, "say for how long", false},
		{"pause|--why|valve|--for|2 h|spring", exitUsage, "for one alarm there is weirkeeper shelve", false},
		{"pause|--why|valve|--for|2 h", exitOK, "The whole site is paused until 14:0", true},
		{"resume|now", exitUsage, "takes no arguments", true},
		{"resume", exitOK, "no longer paused", false},
		{"pause|--why|new valve|--for|30 min", exitOK, "paused until 12:3", true},
	} {
		e, out, errs := testEnv()
		code := run(t.Context(), append(strings.Split(s.args, "|"), "--at", d.WebAddr(), "--by", "kim"), e)
		d.advance(t, 2*time.Second)
		if said := out.String() + errs.String(); code != s.code || !strings.Contains(said, s.said) {
			t.Errorf("%q: exit code %d, %s", s.args, code, said)
		}
		page := get(t, "http://"+d.WebAddr()+"/")
		_, rest, _ := strings.Cut(page, "\n\n")
		if strings.HasPrefix(rest, "PAUSED UNTIL 1") != s.paused || (hidden() != "") != s.paused {
			t.Errorf("after %q: hidden %q, and the page says\n%s", s.args, hidden(), page)
		}
	}
	acts, err := d.Ledger().Acts(t.Context(), now)
	if err != nil || len(acts) != 3 || acts[2].Kind != act.Paused || acts[2].Via != "command" || acts[2].Why != "new valve" {
		t.Errorf("%v, acts %+v", err, acts)
	}
	pub.Close()
	at := d.clock.Now()
	d.stop()
	d = startInProcess(t, dir, at.Add(time.Minute))
	d.advance(t, 2*time.Second)
	if page := get(t, "http://"+d.WebAddr()+"/"); !strings.Contains(page, "PAUSED UNTIL 12:3") || hidden() == "" {
		t.Errorf("after the restart the page says\n%s", page)
	}
	d.advance(t, 31*time.Minute)
	if page := get(t, "http://"+d.WebAddr()+"/"); strings.Contains(page, "PAUSED") || hidden() != "" {
		t.Errorf("after its time the page says\n%s", page)
	}
}
