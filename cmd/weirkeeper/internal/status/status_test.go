package status_test

import (
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/site"
)

// What follows stands under its cause, and says how to answer it only where the
// answer to the cause does not hold.
func TestCauses(t *testing.T) {
	now := time.Date(2026, 11, 20, 3, 0, 0, 0, time.UTC)
	view := func(key, cause alarm.Key, state alarm.State, trouble string) rules.AlarmView {
		return rules.AlarmView{Key: key, Cause: cause, State: state, Priority: alarm.CallOut, Since: now, Trouble: trouble, Detail: "0 L/min"}
	}
	s := status.Status{Now: now, Site: &site.Site{Name: "Alder Fork", Location: time.UTC}, Alarms: []rules.AlarmView{
		view("u/1", "box", alarm.Acknowledged, "Stack 1: low flow"),
		view("u/2", "spring", alarm.Unacknowledged, "Stack 2: low flow"),
		view("box", "spring", alarm.Acknowledged, "Head box: low flow"),
		view("spring", "", alarm.Acknowledged, "Spring: low flow"),
		view("u/3", "gone", alarm.Unacknowledged, "Stack 3: low flow"),
	}}
	var b strings.Builder
	if err := s.Write(&b); err != nil {
		t.Fatal(err)
	}
	const want = `Alarms
  [call-out] Spring: low flow: 0 L/min
      acknowledged, since Fri 20 Nov 2026 03:00
      answered; answer again with: weirkeeper ack --by YOUR-NAME "spring"
      follows: [call-out] Stack 2: low flow: 0 L/min, unacknowledged, since Fri 20 Nov 2026 03:00
          answer with: weirkeeper ack --by YOUR-NAME "u/2"
      follows: [call-out] Head box: low flow: 0 L/min, acknowledged, since Fri 20 Nov 2026 03:00
          follows: [call-out] Stack 1: low flow: 0 L/min, acknowledged, since Fri 20 Nov 2026 03:00
  [call-out] Stack 3: low flow: 0 L/min
      unacknowledged, since Fri 20 Nov 2026 03:00
      answer with: weirkeeper ack --by YOUR-NAME "u/3"
`
	if got := b.String(); !strings.Contains(got, want) {
		t.Errorf("got:\n%s\nwant in it:\n%s", got, want)
	}
}

// After a start the value may not be known.
func TestNoDetail(t *testing.T) {
	s := status.Status{Now: time.Date(2026, 11, 20, 3, 0, 0, 0, time.UTC), Site: &site.Site{Name: "Alder Fork", Location: time.UTC}, Alarms: []rules.AlarmView{
		{Key: "a", Priority: alarm.Morning, State: alarm.ReturnedUnacknowledged, Trouble: "Rules not read anew"},
	}}
	var b strings.Builder
	if err := s.Write(&b); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "[morning] Rules not read anew\n") {
		t.Errorf("the page says\n%s", b.String())
	}
}
