package main

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"log/slog"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules"
)

const seasonSite = `
site "Alder Fork" {
  timezone = "UTC"
}
unit "water 1" {
  kind        = "stack"
  trays       = 8
  volume      = "60 L"
  design_flow = "16 L/min"
}
unit "water 2" {
  kind        = "trough"
  volume      = "300 L"
  design_flow = "38 L/min"
}
unit "water 3" {
  kind = "trough"
}
probe "one" {
  quantity    = "temperature"
  at          = "water 1"
  topic       = "course/1"
  format      = "json"
  value_path  = "v"
  time_path   = "t"
  time_format = "rfc3339"
  every       = "5 min"
}
probe "two" {
  quantity    = "temperature"
  at          = "water 2"
  topic       = "course/2"
  format      = "json"
  value_path  = "v"
  time_path   = "t"
  time_format = "rfc3339"
  every       = "5 min"
}
probe "three" {
  quantity = "temperature"
  at       = "water 3"
  topic    = "course/3"
}
web {
  listen = "127.0.0.1:0"
}
broker {
  listen = "127.0.0.1:0"
}
`

// course reads the rows of an independent computation by their first word.
func course(t *testing.T) map[string][][]string {
	t.Helper()
	f, err := os.Open("../../testdata/lot-course/course.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows := map[string][][]string{}
	for s := bufio.NewScanner(f); s.Scan(); {
		if w := strings.Fields(s.Text()); len(w) > 0 && w[0] != "#" {
			rows[w[0]] = append(rows[w[0]], w)
		}
	}
	return rows
}

// TestSeason lets a month of a real stream (USGS streamMetabolizer's french.csv,
// CC0) drive lots that are opened, moved, corrected and shipped by the commands,
// through a restart, and holds their units, by day and in all, against a
// computation that shares no code with ours (testdata/lot-course/course.awk).
func TestSeason(t *testing.T) {
	dir := writeFiles(t, map[string]string{"site.hcl": seasonSite, "rules.hcl": strings.ReplaceAll(streamRules, "stream", "course")})
	rows := streamRows(t)
	want := course(t)
	end := rows[len(rows)-1].at
	d := startInProcess(t, dir, end)
	connected := func() {
		t.Helper()
		eventually(t, "the daemon is connected", func() bool { d.advance(t, time.Second); return d.Health() == "" })
	}
	connected()
	addr, err := d.BrokerAddr(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	pub := sim.NewPublisher(sim.PublisherOptions{URL: "mqtt://" + addr, ClientID: "sonde", Log: slog.New(slog.DiscardHandler)})
	defer pub.Close()
	var due []sim.Due
	// The gap that course.awk leaves out.
	gapFrom, gapTo := time.Date(2012, 9, 9, 23, 20, 0, 0, time.UTC), time.Date(2012, 9, 10, 0, 35, 0, 0, time.UTC)
	n := 0
	for _, r := range rows {
		if r.at.After(gapFrom) && r.at.Before(gapTo) {
			continue
		}
		c, err := strconv.ParseFloat(r.tempC, 64)
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range []float64{c, c + 1.25} {
			due = append(due, sim.Due{Topic: fmt.Sprintf("course/%d", i+1), Payload: fmt.Appendf(nil, `{"t":%q,"v":%s}`, r.at.Format(time.RFC3339), strconv.FormatFloat(v, 'g', -1, 64))})
			n++
		}
	}
	if err := pub.Publish(t.Context(), due); err != nil {
		t.Fatal(err)
	}
	if got := d.stored(t); got != n {
		t.Fatalf("%d readings in the record of %d published", got, n)
	}

	lot := func(args ...string) (code int, said string) {
		t.Helper()
		e, out, errs := testEnv()
		args = append(append([]string{"lot"}, args...), "--at", d.WebAddr())
		if args[1] != "show" {
			args = append(args, "--by", "kim")
		}
		code = run(t.Context(), args, e)
		return code, out.String() + errs.String()
	}
	must := func(args ...string) string {
		t.Helper()
		code, said := lot(args...)
		if code != exitOK {
			t.Fatalf("lot %q: exit code %d, %s", args, code, said)
		}
		return said
	}
	bases := []string{"0", "2", "8"}
	for _, base := range bases {
		id := "base " + base
		must("open", id, "--species", "rainbow trout", "--egg-take", "2012-09-01 09:00", "--when", "2012-09-02 06:00", "--sample", "412", "--sample-volume", "50 mL",
			"--total-volume", "605 mL", "--unit", "water 1", "--base", base+" degC", "--trays", "1-2")
		must("move", id, "--to", "water 2", "--when", "2012-09-05 10:00") // two hours late, corrected below
		must("move", id, "--to", "water 1", "--when", "2012-09-20 15:07:30")
	}
	for i, base := range bases {
		said := must("correct", strconv.Itoa(2+3*i), "move", "base "+base, "--to", "water 2", "--when", "2012-09-05 08:00")
		if !strings.Contains(said, "tender") {
			t.Errorf("a move on the fourth day is not warned about:\n%s", said)
		}
	}

	compare := func(what string) {
		t.Helper()
		var views map[string]rules.LotView
		eventually(t, what+": all is counted", func() bool {
			d.advance(t, 2*time.Second)
			views = map[string]rules.LotView{}
			whole := true
			for _, v := range d.Status().Lots {
				views[v.Lot.ID] = v
				whole = whole && !v.Counting
			}
			return whole && len(views) == len(bases)
		})
		for i, base := range bases {
			v := views["base "+base]
			total := want["total"][i]
			near(t, what+", base "+base+", degree-days", float64(v.Units.DegreeDays), total[2], 1e-6)
			near(t, what+", base "+base+", TU", v.Units.DegreeDays.TUF(), total[3], 1e-6)
			code, said := lot("show", "base "+base, "--format", "days-csv")
			if code != exitOK {
				t.Fatal(said)
			}
			table, err := csv.NewReader(strings.NewReader(said)).ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			if len(table)-1 != len(want["day"]) {
				t.Fatalf("%s, base %s: %d days, want %d", what, base, len(table)-1, len(want["day"]))
			}
			for j, w := range want["day"] {
				got := table[j+1]
				if got[1] != w[1] {
					t.Fatalf("row %d is of %s, want %s", j, got[1], w[1])
				}
				for _, c := range []struct{ got, want int }{{2, 2}, {8, 3}, {9, 4}, {12, 5}, {3, 6 + 2*i}, {4, 7 + 2*i}} {
					a, err1 := strconv.ParseFloat(got[c.got], 64)
					b, err2 := strconv.ParseFloat(w[c.want], 64)
					if err1 != nil || err2 != nil || math.Abs(a-b) > 0.0006 { // three decimals
						t.Errorf("%s, base %s, %s, %s: %s, the independent figure is %s", what, base, w[1], table[0][c.got], got[c.got], w[c.want])
					}
				}
			}
		}
	}
	for _, base := range bases {
		must("shipped", "base "+base, "--to-place", "Lower pond", "--when", "2012-09-29 18:02:30")
	}
	compare("as entered")
	d.stop()
	d = startInProcess(t, dir, end.Add(time.Hour))
	connected()
	compare("after a restart")

	// What cannot have been is refused, and says why.
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"open", "base 0", "--species", "rainbow trout", "--egg-take", "2012-09-01 09:00", "--eggs", "10"}, "base 0"},
		{[]string{"eyed", "nobody"}, `no lot "nobody"`},
		{[]string{"eyed", "base 0", "--when", "2012-10-09 10:00"}, "future"},
		{[]string{"move", "base 2", "--to", "water 2", "--number", "6000", "--when", "2012-09-04 10:00"}, "4,985"},
		{[]string{"hatched", "base 2", "half", "--when", "2012-09-20 10:00"}, "eyed"},
		{[]string{"move", "base 2", "--to", "watr 2", "--when", "2012-09-04 10:00"}, `"water 2"`},
	} {
		if code, said := lot(tt.args...); code != exitFault || !strings.Contains(said, tt.want) {
			t.Errorf("lot %q: exit code %d, %s; want a refusal with %q", tt.args, code, said, tt.want)
		}
	}
	// Late entries that fit are taken.
	must("eyed", "base 2", "--when", "2012-09-18 08:00")
	said := must("hatched", "base 2", "half", "--when", "2012-09-25 08:00")
	if !strings.Contains(said, "half") {
		t.Errorf("hatched: %s", said)
	}
	if sheet := must("show", "base 2"); !strings.Contains(sheet, "605 mL") || !strings.Contains(sheet, "4,985") || !strings.Contains(sheet, "Lower pond") || !strings.Contains(sheet, "replaced by") {
		t.Errorf("the sheet says:\n%s", sheet)
	}
	if page := must("show", "base 2", "--format", "html"); !strings.Contains(page, "<svg") || !strings.Contains(page, "</html>") {
		t.Errorf("the page says:\n%s", page)
	}
}
