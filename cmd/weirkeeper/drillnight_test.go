package main

import (
	"strings"
	"testing"
	"time"

	"weirkeeper/rules/alarm"
)

// A drill held by hand goes out like a call-out, climbs, and is answered by text.
func TestDrillNight(t *testing.T) {
	c := newCrew(t, crewOptions{})
	has(t, c.command("drill", "--list", "--site", c.dir+"/site.hcl"), "No drill was held yet")
	has(t, c.command("drill", "--by", "lee", "--at", c.WebAddr()), "A drill goes out. It is to be answered by 03:0")
	c.told(kimsNumber, "rill")
	if n := len(c.texts(rowansNumber)); n != 0 {
		t.Errorf("rowan was told %d times before the turn came", n)
	}
	c.pass(12 * time.Minute)
	c.told(rowansNumber, "rill")
	c.receive("wrong code", func() error { return c.modem.Receive(leesNumber, c.code("kim")) })
	c.receive("obeyed", func() error { return c.modem.Receive(rowansNumber, c.code("rowan")) })
	c.told(kimsNumber, "rowan")
	list := c.command("drill", "--list", "--site", c.dir+"/site.hcl")
	has(t, list, "Fri 20 Nov 2026 02:00", "lee", "rowan", "12 min", "text")
	has(t, c.command("calls", "--site", c.dir+"/site.hcl", "--since", "2026-11-20"), "drill to kim by text message", "drill started by lee by command, until 03:0", "drill answered by rowan by text message")
	before := len(c.texts(kimsNumber))
	c.pass(50 * time.Minute)
	if n := len(c.texts(kimsNumber)); n != before {
		t.Errorf("kim was told of it %d times after the answer", n-before)
	}
	if tr := c.ownAlarm("drill"); tr.To != alarm.Normal {
		t.Errorf("an answered drill: %s, %s", tr.Trouble, tr.To)
	}
}

// A planned drill that nobody answers is in the morning round; the next one that is
// answered ends it.
func TestPlannedDrillMissed(t *testing.T) {
	c := newCrew(t, crewOptions{
		callOut: `morning = "10:40"`,
		more:    "drill {\n  days = [\"fri\"]\n  at = \"10:00\"\n  within = \"25 min\"\n}",
		now:     time.Date(2026, 11, 20, 9, 48, 0, 0, time.UTC),
	})
	c.flow("142")
	c.pass(11 * time.Minute)
	if n := len(c.modem.Taken()); n != 0 {
		t.Errorf("%d texts before the hour", n)
	}
	c.pass(14 * time.Minute)
	c.told(kimsNumber, "rill")
	c.told(rowansNumber, "rill")
	c.pass(20 * time.Minute)
	c.told(leesNumber, "rill")
	if tr := c.ownAlarm("drill missed"); tr.To != alarm.Unacknowledged || !strings.Contains(tr.Detail, "nobody answered the drill of Fri 20 Nov 10:00 within 25 min") {
		t.Errorf("after a missed drill: %s, %s", tr.To, tr.Detail)
	}
	c.pass(9 * time.Minute)
	for _, person := range []string{"kim", "rowan", "lee"} {
		eventually(t, "the morning round reaches "+person, func() bool { return c.mails.about(person, "drill missed") == 1 })
	}
	has(t, c.command("drill", "--list", "--site", c.dir+"/site.hcl"), "Fri 20 Nov 2026 10:00", "NOBODY")
	before := len(c.modem.Taken())
	c.restart(time.Minute)
	c.flow("142")
	c.pass(5 * time.Minute)
	if n := len(c.modem.Taken()); n != before {
		t.Errorf("%d texts after its time and a restart", n-before)
	}
	has(t, c.command("drill", "--by", "lee", "--at", c.WebAddr()), "A drill goes out.")
	eventually(t, "kim is told of another drill", func() bool { return len(c.modem.Taken()) > before })
	c.receive("obeyed", func() error { return c.modem.Receive(kimsNumber, c.code("kim")) })
	c.pass(time.Minute)
	if tr := c.ownAlarm("drill missed"); tr.To == alarm.Unacknowledged || tr.To == alarm.Acknowledged {
		t.Errorf("after an answered drill the missed one is %s", tr.To)
	}
}
