package main

import (
	"testing"
	"time"

	"weirkeeper/notify/smtp/sink"
)

// The morning message says once that all is well, with the least and the most of
// the night, whether the daemon is started again just after it or was away at the
// hour; and does not say so while something stands.
func TestGoodMorning(t *testing.T) {
	const all = "All is well at Alder Fork"
	night := func(t *testing.T) *crew {
		t.Helper()
		c := newCrew(t, crewOptions{callOut: "all_well = true", tick: 10 * time.Second, now: time.Date(2026, 11, 20, 6, 40, 0, 0, time.UTC)})
		c.flow("142")
		c.pass(4 * time.Minute)
		c.flow("131.5")
		c.pass(3 * time.Minute)
		c.flow("155")
		c.pass(3 * time.Minute)
		c.flow("142")
		return c
	}
	until := func(c *crew, h, m, s int) {
		c.t.Helper()
		c.pass(time.Date(2026, 11, 20, h, m, s, 0, time.UTC).Sub(c.clock.Now()))
	}
	once := func(c *crew, subject string) {
		c.t.Helper()
		for _, person := range []string{"kim", "rowan", "lee"} {
			eventually(c.t, "the morning message reaches "+person, func() bool { return c.mails.about(person, subject) > 0 })
		}
		until(c, 7, 10, 0)
		c.restart(time.Minute)
		c.flow(c.said)
		for _, person := range []string{"kim", "rowan", "lee"} {
			if n := c.mails.about(person, subject); n != 1 {
				c.t.Errorf("%d morning messages to %s", n, person)
			}
		}
	}
	newest := func(c *crew) sink.Message {
		mails := c.mails.to("kim")
		return mails[len(mails)-1]
	}
	t.Run("started again after it", func(t *testing.T) {
		c := night(t)
		until(c, 7, 0, 20)
		c.restart(10 * time.Second)
		once(c, all)
		has(t, newest(c).Body, "All is well: no alarm stands", "131.5", "155.0 L/min", "Nothing to answer")
		if n := len(c.modem.Taken()); n != 0 {
			t.Errorf("%d texts woke people", n)
		}
	})
	t.Run("away at the hour", func(t *testing.T) {
		c := night(t)
		until(c, 6, 59, 40)
		if n := len(c.mails.to("kim")); n != 0 {
			t.Errorf("%d mails before the hour", n)
		}
		c.restart(50 * time.Second)
		c.flow("142")
		until(c, 7, 9, 0)
		if n := len(c.mails.to("kim")); n != 0 {
			t.Errorf("%d mails from a daemon that has only just begun to watch", n)
		}
		until(c, 7, 12, 0)
		once(c, all)
		has(t, newest(c).Body, "131.5", "155.0 L/min")
	})
	t.Run("something stands", func(t *testing.T) {
		c := night(t)
		c.flow("42")
		c.told(kimsNumber, "low flow")
		c.receive("obeyed", func() error { return c.modem.Receive(kimsNumber, c.code("kim")) })
		until(c, 7, 0, 20)
		c.restart(10 * time.Second)
		once(c, "still there: Spring: low flow")
		for _, person := range []string{"kim", "rowan", "lee"} {
			if n := c.mails.about(person, "All is well"); n != 0 {
				t.Errorf("%s is told that all is well", person)
			}
		}
		has(t, newest(c).Body, "Nothing new waits for anybody. What still stands:", "42.0")
	})
}
