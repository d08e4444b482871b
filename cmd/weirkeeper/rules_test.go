package main

import (
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
)

// TestRules prints what the journal holds of each rule.
func TestRules(t *testing.T) {
	dir := recordFolder(t)
	e, out, errs := testEnv()
	now := e.now()
	l := openRecord(t, dir)
	step := func(n uint64, from, to alarm.State, ago time.Duration) alarm.Transition {
		return alarm.Transition{
			Key: "low_flow/spring/spring flow", Kind: alarm.LowFlow, Rule: "spring", RuleAt: "rules.hcl:3", Priority: alarm.CallOut,
			Occurrence: n, From: from, To: to, At: now.Add(-ago), Since: now.Add(-ago),
		}
	}
	mustCommit(t, l, ledger.Batch{
		Transitions: []alarm.Transition{
			step(1, alarm.Normal, alarm.Unacknowledged, 50*time.Hour), step(1, alarm.Unacknowledged, alarm.Acknowledged, 50*time.Hour-6*time.Minute),
			step(1, alarm.Acknowledged, alarm.Normal, 49*time.Hour), step(2, alarm.Normal, alarm.Unacknowledged, 25*time.Hour),
		},
		Acts: []act.Act{{ID: "1", Kind: act.MarkedFalse, At: now.Add(-time.Hour), By: "kim", Alarm: "low_flow/spring/spring flow", Occurrence: 1}},
	})
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if code := run(t.Context(), []string{"rules", "--site", filepath.Join(dir, "site.hcl"), "--days", "3"}, e); code != exitOK {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	said := regexp.MustCompile(" +").ReplaceAllString(out.String(), " ")
	for _, want := range []string{"2 raised, 2 of them call-outs", ` 2 1 0 0 0 6 min 6 min 1 d 2 h 1 low_flow "spring" [call-out] rules.hcl:3, standing for more than a day`} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	for _, args := range [][]string{{"rules", "more"}, {"rules", "--days", "0"}} {
		e, _, _ := testEnv()
		if code := run(t.Context(), args, e); code != exitUsage {
			t.Errorf("%q: exit code %d", args, code)
		}
	}
}
