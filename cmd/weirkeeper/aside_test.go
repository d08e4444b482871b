package main

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
)

// TestPutAside shelves an alarm of a running daemon and takes its unit out of
// service: the page says so and by whom, also after a restart, and nobody is
// called until it is over.
func TestPutAside(t *testing.T) {
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
	command := func(args ...string) (code int, said string) {
		t.Helper()
		e, out, errs := testEnv()
		code = run(t.Context(), append(args, "--at", d.WebAddr(), "--by", "kim"), e)
		d.advance(t, 2*time.Second)
		return code, out.String() + errs.String()
	}
	hidden := func() string {
		t.Helper()
		for _, a := range d.Status().Alarms {
			if a.Key == flow {
				return a.Hidden
			}
		}
		t.Fatal("the alarm does not stand")
		return ""
	}
	steps := []struct {
		args  []string
		code  int
		said  string
		aside string // what the page says of it, in part
	}{
		{[]string{"shelve", "--for", "2 h", "--why", "new screen", flow}, exitOK, "Shelved until 14:0", `low_flow/spring/spring flow is shelved until 14:0`},
		{[]string{"unshelve", flow}, exitOK, "No longer shelved", ""},
		{[]string{"unshelve", flow}, exitFault, "is not shelved", ""},
		{[]string{"shelve", "--for", "2 h", flow}, exitUsage, "say why", ""},
		{[]string{"shelve", "--why", "screen", flow}, exitUsage, "say for how long", ""},
		{[]string{"shelve", "--why", "screen", "--for", "25 h", flow}, exitUsage, "up to a day", ""},
		{[]string{"shelve", "--why", "screen", "--for", "2 L/min", flow}, exitUsage, "say for how long", ""},
		{[]string{"shelve", "--why", "screen", "--for", "2 h", "low_flow/sprnig/spring flow"}, exitFault, "did you mean", ""},
		{[]string{"service", "out", "--why", "new pipe", "spring"}, exitOK, "Nobody is called for it until", "spring is out of service since 12:"},
		{[]string{"service", "out", "--why", "new pipe", "spring"}, exitFault, "is out of service since", "spring is out of service since 12:"},
		{[]string{"ack"}, exitOK, "Nothing waits for an answer", "[morning] Units out of service: nobody is called for them: spring since 12:"},
		{[]string{"ack", "self/units out of service/service"}, exitOK, "Answered: Units out of service", "spring is out of service"},
		{[]string{"service", "out", "spring"}, exitUsage, "say why", "spring is out of service"},
		{[]string{"service", "off", "spring"}, exitUsage, "takes in or out", "spring is out of service"},
		{[]string{"service", "in", "spring"}, exitOK, "In service again", ""},
		{[]string{"service", "in", "spring"}, exitFault, "spring is in service", ""},
		{[]string{"false", flow}, exitOK, "Marked as false: low_flow/spring/spring flow, raise number 1", ""},
		{[]string{"false", "missed_chore/cleaning/trough 1"}, exitFault, "never raised", ""},
		{[]string{"false", flow, "more"}, exitUsage, "false takes one alarm", ""},
		{[]string{"shelve", "--for", "30 min", "--why", "new screen", flow}, exitOK, "Shelved until 12:3", "shelved until 12:3"},
	}
	for _, s := range steps {
		code, said := command(s.args...)
		if code != s.code || !strings.Contains(said, s.said) {
			t.Errorf("%q: exit code %d, %s", s.args, code, said)
		}
		page := get(t, "http://"+d.WebAddr()+"/")
		if !strings.Contains(page, s.aside) || (s.aside == "") == strings.Contains(page, "Put aside") {
			t.Errorf("after %q the page says\n%s", s.args, page)
		}
		if (s.aside == "") != (hidden() == "") {
			t.Errorf("after %q: hidden %q", s.args, hidden())
		}
	}
	acts, err := d.Ledger().Acts(t.Context(), now)
	if err != nil || len(acts) != 6 || acts[4].Kind != act.MarkedFalse || acts[4].Occurrence != 1 || acts[5].By != "kim" || acts[5].Via != "command" || acts[5].Why != "new screen" {
		t.Errorf("%v, acts %+v", err, acts)
	}

	pub.Close()
	at := d.clock.Now()
	d.stop()
	d = startInProcess(t, dir, at.Add(time.Minute))
	d.advance(t, 2*time.Second)
	if page := get(t, "http://"+d.WebAddr()+"/"); !strings.Contains(page, "shelved until 12:3") || hidden() == "" {
		t.Errorf("after the restart the page says\n%s", page)
	}
	d.advance(t, 31*time.Minute)
	if page := get(t, "http://"+d.WebAddr()+"/"); strings.Contains(page, "Put aside") || hidden() != "" {
		t.Errorf("after its time the page says\n%s", page)
	}
	journal, err := d.Ledger().JournalSince(t.Context(), now)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, tr := range journal {
		if tr.Key == flow {
			got = append(got, tr.From.String()+" to "+tr.To.String()+" "+map[bool]string{true: "hidden", false: "told"}[tr.Hidden != ""])
		}
	}
	u := alarm.Unacknowledged.String()
	want := "normal to " + u + " told" + strings.Repeat(", "+u+" to "+u+" hidden, "+u+" to "+u+" told", 3)
	if s := strings.Join(got, ", "); s != want {
		t.Errorf("the journal has %s\nwant %s", s, want)
	}
}
