package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"fmt"
	"log/slog"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/clock"
	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/water"
)

// streamRow is one reading pair of the open stream data.
type streamRow struct {
	at           time.Time
	tempC, oxyMg string // as printed in the file
}

// streamRows reads the series as testdata/stream-french/README.md says: sonde
// TOWN, values present, a row counts only if later than the last that counted.
func streamRows(t *testing.T) []streamRow {
	t.Helper()
	f, err := os.Open("../../testdata/stream-french/french.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []streamRow
	for _, r := range all[1:] {
		if r[2] != "TOWN" || r[5] == "NA" || r[6] == "NA" || r[5] == "" || r[6] == "" {
			continue
		}
		at, err := time.ParseInLocation("1/2/2006 15:04:05", r[3]+" "+r[4], time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) > 0 && !at.After(rows[len(rows)-1].at) {
			continue
		}
		rows = append(rows, streamRow{at, r[5], r[6]})
	}
	return rows
}

// independent reads the figures of the independent computation.
func independent(t *testing.T) (figures map[string]string, saturation map[string][2]float64) {
	t.Helper()
	f, err := os.Open("../../testdata/stream-french/independent.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	figures, saturation = map[string]string{}, map[string][2]float64{}
	for s := bufio.NewScanner(f); s.Scan(); {
		w := strings.Fields(s.Text())
		switch {
		case len(w) == 2:
			figures[w[0]] = w[1]
		case w[0] == "row":
			mgL, err1 := strconv.ParseFloat(w[5], 64)
			percent, err2 := strconv.ParseFloat(w[6], 64)
			if err1 != nil || err2 != nil {
				t.Fatalf("independent.txt: %q", s.Text())
			}
			saturation[w[2]] = [2]float64{mgL, percent}
		}
	}
	return figures, saturation
}

const streamSite = `
site "Stream" {
  pressure = "1013.25 hPa"
  timezone = "UTC"
}
unit "stream" {
  kind = "raceway"
}
probe "stream temperature" {
  quantity   = "temperature"
  at         = "stream"
  topic      = "stream/sonde/temperature"
  format     = "json"
  value_path = "v"
  time_path  = "t"
  time_format = "rfc3339"
  every      = "5 min"
}
probe "stream oxygen" {
  quantity   = "oxygen"
  at         = "stream"
  topic      = "stream/sonde/oxygen"
  format     = "json"
  value_path = "v"
  time_path  = "t"
  time_format = "rfc3339"
  every      = "5 min"
}
lot "stream lot" {
  species  = "brook trout"
  egg_take = "2012-09-01 12:55"
  start    = "green"
  eggs     = 1000
  unit     = "stream"
  placed   = "2012-09-01 12:55"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  url = "mqtt://127.0.0.1:%s"
}
`

const streamRules = `
silent_probe "sonde" {
  covers {
    all = true
  }
  priority   = "note"
  can_happen = "The sonde is not heard."
  to_do      = "Look at it in the morning."
}
`

// TestOpenStreamData sends a month of a real stream (USGS streamMetabolizer's
// french.csv, CC0) through Debian's mosquitto and its client into the daemon,
// and holds the record against a computation that shares no code with it
// (testdata/stream-french/independent.awk).
func TestOpenStreamData(t *testing.T) {
	broker := newMosquitto(t)
	rows := streamRows(t)
	figures, saturation := independent(t)

	dir := writeFiles(t, map[string]string{"site.hcl": fmt.Sprintf(streamSite, broker.port), "rules.hcl": streamRules})
	e, _, _ := testEnv()
	end := rows[len(rows)-1].at
	l, err := e.load(dir+"/site.hcl", nil, end)
	if err != nil {
		t.Fatal(err)
	}
	if faulty, err := l.say(os.Stderr); faulty || err != nil {
		t.Fatalf("site: %v %v", faulty, err)
	}
	clk := clock.NewStepped(end)
	d, err := daemon.New(t.Context(), daemon.Options{
		Config: l.config, Program: l.program, Clock: clk, Log: slog.New(slog.DiscardHandler), Getenv: os.Getenv, ReadFile: os.ReadFile, Synced: func() bool { return true },
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	defer func() {
		stop()
		if err := <-done; err != nil {
			t.Errorf("daemon: %v", err)
		}
	}()
	// A tick at the end of the series, however often.
	tick := func() {
		clk.SetTime(end.Add(-time.Second))
		if err := clk.Advance(t.Context(), time.Second); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "the daemon is connected", func() bool { tick(); return d.Health() == "" })

	var temps, oxys strings.Builder
	for _, r := range rows {
		fmt.Fprintf(&temps, "{\"t\":%q,\"v\":%s}\n", r.at.Format(time.RFC3339), r.tempC)
		fmt.Fprintf(&oxys, "{\"t\":%q,\"v\":%s}\n", r.at.Format(time.RFC3339), r.oxyMg)
	}
	broker.publish(t, "stream/sonde/temperature", temps.String())
	broker.publish(t, "stream/sonde/oxygen", oxys.String())

	stored := func(id reading.ProbeID) int {
		counts, err := d.Ledger().CountReadings(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return counts[id]
	}
	eventually(t, "all readings are in the record", func() bool {
		return stored("stream temperature") >= len(rows) && stored("stream oxygen") >= len(rows)
	})
	for _, id := range []reading.ProbeID{"stream temperature", "stream oxygen"} {
		if got, want := strconv.Itoa(stored(id)), figures["readings"]; got != want {
			t.Errorf("%s: %s readings in the record, the independent count is %s", id, got, want)
		}
	}

	tick()
	tick() // taken only when the first is done
	lot := d.Status().Lots[0]
	near(t, "degree-days", float64(lot.Units.DegreeDays), figures["degree_days"], 1e-5)
	near(t, "temperature units", lot.Units.DegreeDays.TUF(), figures["temperature_units_degf"], 1e-5)
	near(t, "hours estimated", lot.Units.Estimated().Hours(), figures["hours_estimated"], 1e-3)
	near(t, "hours measured or bridged", (lot.Units.Measured + lot.Units.Bridged).Hours(), figures["hours_measured"], 1e-3)

	// The saturation of the stored series, row by row.
	tempAt := map[time.Time]float64{}
	for r, err := range d.Ledger().Readings(t.Context(), "stream temperature", rows[0].at, end.Add(time.Second)) {
		if err != nil {
			t.Fatal(err)
		}
		tempAt[r.At] = r.Value
	}
	compared, sum := 0, 0.0
	for r, err := range d.Ledger().Readings(t.Context(), "stream oxygen", rows[0].at, end.Add(time.Second)) {
		if err != nil {
			t.Fatal(err)
		}
		full, err := water.SaturationMgL(measure.TempC(tempAt[r.At]), 1013.25)
		if err != nil {
			t.Fatal(err)
		}
		percent := 100 * r.Value / float64(full)
		sum += percent
		if want, ok := saturation[r.At.Format(time.RFC3339)]; ok {
			compared++
			if math.Abs(float64(full)-want[0]) > 1e-6 || math.Abs(percent-want[1]) > 1e-4 {
				t.Errorf("%s: %.6f mg/L, %.4f %%, the published equation gives %.6f and %.4f", r.At, float64(full), percent, want[0], want[1])
			}
		}
	}
	if compared < 70 {
		t.Errorf("only %d rows compared with the independent saturation", compared)
	}
	near(t, "mean saturation", sum/float64(len(rows)), figures["saturation_mean_percent"], 1e-6)
}

func near(t *testing.T, what string, got float64, want string, tolerance float64) {
	t.Helper()
	w, err := strconv.ParseFloat(want, 64)
	if err != nil {
		t.Fatalf("%s: the independent figure %q: %v", what, want, err)
	}
	if math.Abs(got-w) > tolerance {
		t.Errorf("%s: %v, the independent computation gives %v", what, got, w)
	}
}
