package main

import (
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/alarm"
)

const historySite = `
site "History" {
  timezone = "UTC"
}
unit "stack 1" {
  kind = "stack"
}
probe "stack temperature" {
  quantity    = "temperature"
  at          = "stack 1"
  topic       = "history/stack"
  format      = "json"
  value_path  = "v"
  time_path   = "t"
  time_format = "unix"
  every       = "10 min"
}
lot "2026-A" {
  species  = "brook trout"
  egg_take = "2026-10-01 00:00"
  eggs     = 1000
  unit     = "stack 1"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

const historyRules = `
temperature_band "eggs" {
  covers {
    kinds = ["stack"]
  }
  high       = "15 degC"
  on_delay   = "10 min"
  priority   = "call-out"
  can_happen = "Eggs die."
  to_do      = "Look at the water."
}
`

// TestHistory lets a month be sealed while the daemon runs, sends two days that
// were missing in it afterwards, and damages the sealed month in the end.
func TestHistory(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": historySite, "rules.hcl": historyRules})
	start := time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC)
	month := start.AddDate(0, 1, 0)
	now := month.Add(5 * 24 * time.Hour)
	d := startInProcess(t, dir, now)
	addr, err := d.BrokerAddr(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "the daemon is connected", func() bool { d.advance(t, time.Second); return d.Health() == "" })
	pub := sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://" + addr, ClientID: "logger", Log: slog.New(slog.DiscardHandler)})
	defer pub.Close()
	gapFrom, gapTo := start.AddDate(0, 0, 9), start.AddDate(0, 0, 11)
	send := func(from, to time.Time, temp float64, without bool) int {
		t.Helper()
		var due []sim.Due
		for at := from; at.Before(to); at = at.Add(10 * time.Minute) {
			if without && !at.Before(gapFrom) && at.Before(gapTo) {
				continue
			}
			due = append(due, sim.Due{Topic: "history/stack", Payload: fmt.Appendf(nil, `{"t":%d,"v":%g}`, at.Unix(), temp)})
		}
		if err := pub.Publish(t.Context(), due); err != nil {
			t.Fatal(err)
		}
		return len(due)
	}
	// over is how much the lot has gathered over water of 8 degC throughout.
	over := func() float64 {
		t.Helper()
		d.advance(t, 2*time.Second)
		s := d.Status()
		return float64(s.Lots[0].Units.DegreeDays) - 8*s.Now.Sub(start).Hours()/24
	}
	rows := func() int {
		t.Helper()
		n := 0
		for _, err := range d.History().Readings(t.Context(), "stack temperature", start, month) {
			if err != nil {
				t.Fatal(err)
			}
			n++
		}
		return n
	}

	sent := send(start, month, 8, true)
	if got := over(); math.Abs(got) > 0.01 { // after October the last reading goes on
		t.Errorf("%.3f degree-days more than water of 8 degC gives", got)
	}
	d.advance(t, time.Hour)
	eventually(t, "October is sealed", func() bool { d.advance(t, time.Second); return len(d.History().Periods()) == 1 })
	eventually(t, "it is dropped from the ledger", func() bool { d.advance(t, time.Second); return d.stored(t) <= 1 })
	if got := rows(); got != sent {
		t.Errorf("%d readings of October, %d were sent", got, sent)
	}

	// The two days that were missing come: warmer water, and a fright in it that
	// is long past.
	late := send(gapFrom, gapTo.Add(-time.Hour), 10, false) + send(gapTo.Add(-time.Hour), gapTo, 16, false)
	if got := rows(); got != sent+late {
		t.Errorf("%d readings of October, %d were sent", got, sent+late)
	}
	// 47 h at 10 degC and 1 h at 16, the steps by trapezoid over 10 min.
	const want = (47*2 + 1*8) / 24.0
	eventually(t, "the lot is counted again", func() bool { d.advance(t, 30*time.Second); return math.Abs(over()-want) < 0.05 })
	journal, err := d.Ledger().Journal(t.Context(), now, now.AddDate(0, 1, 0))
	if err != nil {
		t.Fatal(err)
	}
	noted := false
	for _, tr := range journal {
		if tr.Kind == alarm.TemperatureBand {
			noted = noted || strings.Contains(tr.Trouble, "in the past")
			if tr.To.Active() {
				t.Errorf("somebody was called for what is long past: %+v", tr)
			}
		}
	}
	if !noted {
		t.Error("what is long past is not in the journal")
	}
	d.advance(t, 25*time.Hour)
	eventually(t, "October is built anew", func() bool {
		d.advance(t, time.Second)
		p := d.History().Periods()
		return len(p) == 1 && p[0].Readings == sent+late
	})
	if got := rows(); got != sent+late {
		t.Errorf("after the rebuild %d readings of October, %d were sent", got, sent+late)
	}

	// Somebody's disk rots.
	end := d.clock.Now()
	d.stop()
	var victim string
	err = filepath.WalkDir(filepath.Join(dir, "weirkeeper-data", "series"), func(path string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() && e.Name() == "data" {
			victim = path
		}
		return err
	})
	if err != nil || victim == "" {
		t.Fatalf("no sealed file: %v", err)
	}
	if err := os.Truncate(victim, 100); err != nil {
		t.Fatal(err)
	}
	d = startInProcess(t, dir, end.Add(time.Minute))
	rowsLeft := rows()
	d.advance(t, time.Hour+2*time.Second)
	eventually(t, "the damage is an alarm", func() bool {
		d.advance(t, time.Second)
		for _, a := range d.Status().Alarms {
			if a.Key == "self/history damaged/history" && strings.Contains(a.Detail, "2026-10") {
				return true
			}
		}
		return false
	})
	if rowsLeft != 0 {
		t.Errorf("%d readings out of a damaged period", rowsLeft)
	}
}
