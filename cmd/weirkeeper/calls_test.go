package main

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

// aNight writes down a night: a text message that fails, its spare, a repeat
// that does not arrive, a stranger's answer and kim's.
func aNight(t *testing.T, l *ledger.Ledger) {
	t.Helper()
	const m = time.Minute
	call := func(id, unless string, why callout.Reason, way callout.Way, to string, d, notBefore time.Duration) callout.Message {
		return callout.Message{
			ID: id, Reason: why, Person: "kim", Way: way, Address: to, Subject: "Trough 3: low flow", Text: "Trough 3: low flow\n", Unless: unless,
			NotBefore: recordAt(notBefore), Alarms: []alarm.Key{"low_flow/trough 3"}, CreatedAt: recordAt(d), ExpiresAt: recordAt(d + 24*time.Hour),
		}
	}
	const number, address = "+447700900123", "kim@alderfork.example"
	raised := alarm.Transition{
		Key: "low_flow/trough 3", Kind: alarm.LowFlow, Occurrence: 1, To: alarm.Unacknowledged, At: recordAt(0), Since: recordAt(-m), Priority: alarm.CallOut,
		Rule: "flow", Unit: "trough 3", Trouble: "Trough 3: low flow",
	}
	late := call("f", "", callout.Returned, callout.Email, address, 16*time.Hour, 0)
	late.ExpiresAt = recordAt(17 * time.Hour)
	mustCommit(t, l, ledger.Batch{Transitions: []alarm.Transition{raised}, Messages: []callout.Message{
		call("a", "", callout.First, callout.SMS, number, 0, 0), call("b", "a", callout.First, callout.Email, address, 0, 2*m),
		call("c", "", callout.Repeat, callout.SMS, number, 15*m, 0), call("d", "c", callout.Repeat, callout.Email, address, 15*m, 17*m),
		call("e", "", callout.Repeat, callout.Hook, "bell", 15*m, 0), late,
	}})
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	ctx := t.Context()
	begin := func(id string, d time.Duration) {
		t.Helper()
		_, err := l.BeginAttempt(ctx, id, recordAt(d))
		must(err)
	}
	begin("a", time.Second)
	must(l.MarkFailed(ctx, "a", recordAt(3*time.Second), "no network", recordAt(18*time.Second), false, false))
	begin("a", 18*time.Second)
	must(l.MarkFailed(ctx, "a", recordAt(78*time.Second), "no answer within a minute, from a modem that was \x1b[31mtold to send\nand said nothing more", recordAt(10*m), true, true))
	begin("b", 2*m)
	must(l.MarkSent(ctx, "b", recordAt(2*m+time.Second), "250 2.0.0 queued as 7"))
	begin("c", 15*m) // killed in the middle of it
	begin("c", 16*m)
	must(l.MarkSent(ctx, "c", recordAt(16*m+5*time.Second), "reference 12"))
	must(l.MarkReport(ctx, "c", false, "status 70, no route", recordAt(30*m)))
	must(l.MarkFailed(ctx, "e", recordAt(15*m), "the site file sets up no hooks", recordAt(15*m), false, true))
	_, err := l.ExpireMessages(ctx, recordAt(20*time.Hour))
	must(err)
}

func answerNight(t *testing.T, l *ledger.Ledger) {
	t.Helper()
	const m = time.Minute
	mustCommit(t, l, ledger.Batch{
		Inbox: []ledger.InboxEntry{
			{ID: "1", At: recordAt(20 * m), Way: callout.SMS, Sender: "+447700900999", Body: "4711 coming", Outcome: "unknown number"},
			{ID: "2", At: recordAt(32 * m), Way: callout.SMS, Sender: "+447700900123", Person: "kim", Body: "4711 coming", Outcome: "answered", Said: "Thank you. The others are told."},
		},
		Transitions: []alarm.Transition{{
			Key: "low_flow/trough 3", Kind: alarm.LowFlow, Occurrence: 1, From: alarm.Unacknowledged, To: alarm.Acknowledged, At: recordAt(32 * m), Priority: alarm.CallOut,
			Rule: "flow", Unit: "trough 3", Trouble: "Trough 3: low flow", By: "kim", Via: "text",
		}},
		Acts: []act.Act{
			{ID: "p", Kind: act.Paused, At: recordAt(40 * m), By: "rowan", Via: "command", Until: recordAt(70 * m), Why: "pump work"},
			{ID: "s", Kind: act.Shelved, At: recordAt(41 * m), By: "rowan", Alarm: "low_flow/trough 3", Until: recordAt(70 * m)},
			{ID: "d", Kind: act.DrillStarted, At: recordAt(50 * m), Until: recordAt(24 * time.Hour)},
		},
	})
}

const callsOfTheNight = `Alder Fork, call-outs since 31 Oct 18:00:00: 6 messages, 3 never handed over

1 Nov 01:30:00  call-out to kim by text message, +447700900123
    Trough 3: low flow
    01:30:01 attempt 1, failed 01:30:03: no network
    01:30:18 attempt 2, failed 01:31:18 and may have arrived all the same: no
        answer within a minute, from a modem that was ?[31mtold to send and said
        nothing more
    GIVEN UP 01:31:18

1 Nov 01:30:00  call-out to kim by email, kim@alderfork.example, in case the way
    before fails
    Trough 3: low flow
    01:32:00 attempt 1, handed over 01:32:01: 250 2.0.0 queued as 7

1 Nov 01:45:00  call-out repeated to kim by text message, +447700900123
    Trough 3: low flow
    01:45:00 attempt 1, and no more is known of it
    01:46:00 attempt 2, handed over 01:46:05: reference 12
    01:00:00 MST it did NOT arrive: status 70, no route
`

func TestCalls(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": recordSite})
	l := openRecord(t, dir)
	aNight(t, l)
	all := mustRecord(t, dir, "calls", "--since", "2026-10-31 18:00")
	if got := all[:min(len(all), len(callsOfTheNight))]; got != callsOfTheNight {
		t.Errorf("the start (-want +got):\n%s", cmp.Diff(callsOfTheNight, got))
	}
	open := mustRecord(t, dir, "calls", "--since", "2026-10-31 18:00", "--open")
	for _, want := range []string{"call-out to kim by text", "did NOT arrive", "waits to be handed over, the next attempt at 01:00:00 MST"} {
		if !strings.Contains(open, want) {
			t.Errorf("--open lacks %q:\n%s", want, open)
		}
	}
	answerNight(t, l)
	all = mustRecord(t, dir, "calls", "--since", "2026-10-31 18:00")
	for _, want := range []string{
		"  from somebody unknown by text message, +447700900999: unknown\n    number\n    they wrote \"4711 coming\"\n",
		"they were told \"Thank you. The others are told.\"\n",
		"  answered by kim by text message\n    Trough 3: low flow\n",
		"  paused by rowan by command, until 01:40:00\n    pump work\n",
		"  drill started, until 2 Nov 00:30:00\n",
		"call-out repeated to kim by hook, bell\n    Trough 3: low flow\n    GIVEN UP 01:45:00: the site file sets up no hooks\n",
		"    RAN OUT OF TIME 17:30:00\n",
	} {
		if !strings.Contains(all, want) {
			t.Errorf("lacks %q:\n%s", want, all)
		}
	}
	if strings.Contains(all, "shelved") {
		t.Errorf("it tells of shelving:\n%s", all)
	}
	for line := range strings.Lines(all) {
		if utf8.RuneCountInString(strings.TrimSuffix(line, "\n")) > 80 {
			t.Errorf("wider than 80 columns: %s", line)
		}
	}
	if open := mustRecord(t, dir, "calls", "--since", "2026-10-31 18:00", "--open"); strings.Contains(open, "by text") || !strings.Contains(open, "waits to be handed over") {
		t.Errorf("open after the answer:\n%s", open)
	}
	if none := mustRecord(t, dir, "calls", "--days", "3"); !strings.HasSuffix(none, "Nothing was said to anybody, nor by anybody.\n") {
		t.Errorf("a year later: %s", none)
	}
	for _, bad := range [][]string{{"--days", "0"}, {"--since", "yesterday"}, {"more"}} {
		if code, _, errs := tryRecord(t, dir, append([]string{"calls"}, bad...)...); code != exitUsage || errs == "" {
			t.Errorf("%q: exit code %d, %s", bad, code, errs)
		}
	}
}
