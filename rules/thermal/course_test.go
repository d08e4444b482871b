package thermal_test

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/thermal"
)

const courseDir = "../../testdata/lot-course"

// stream is the water of testdata/lot-course, as its README says.
func stream(t *testing.T) []sample {
	t.Helper()
	f, err := os.Open("../../testdata/stream-french/french.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	quiet := time.Date(2012, 9, 9, 23, 20, 0, 0, time.UTC)
	var out []sample
	for _, r := range rows[1:] {
		if r[2] != "TOWN" || r[5] == "NA" || r[6] == "NA" {
			continue
		}
		when, err := time.Parse("1/2/2006 15:04:05", r[3]+" "+r[4])
		if err != nil {
			t.Fatal(err)
		}
		if len(out) > 0 && !when.After(out[len(out)-1].at) || when.After(quiet) && when.Before(quiet.Add(75*time.Minute)) {
			continue
		}
		c, err := strconv.ParseFloat(r[5], 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, sample{when, c, probe})
	}
	return out
}

// course reads course.txt: rows by their first word.
func course(t *testing.T) map[string][][]string {
	t.Helper()
	f, err := os.Open(courseDir + "/course.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows := make(map[string][][]string)
	for s := bufio.NewScanner(f); s.Scan(); {
		if w := strings.Fields(s.Text()); w[0] != "#" {
			rows[w[0]] = append(rows[w[0]], w[1:])
		}
	}
	return rows
}

// A lot that is moved to warmer water and back, in the middle of a gap and
// between two readings, gathers what an independent program computes
// (testdata/lot-course/course.awk from a real stream): by stay, by day, by kind
// of time, above three bases, and when each 50 degree-days are passed.
func TestCourse(t *testing.T) {
	want := course(t)
	water := stream(t)
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	moment := func(s string) time.Time {
		v, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	checkKinds := func(what string, u thermal.Units, hours []string) {
		near(t, what+" measured", u.Measured.Hours(), number(hours[0]), 1e-6)
		near(t, what+" bridged", u.Bridged.Hours(), number(hours[1]), 1e-6)
		near(t, what+" unsupported", u.Unsupported.Hours(), number(hours[2]), 1e-6)
		if u.StandIn != 0 || u.ByHand != 0 {
			t.Errorf("%s: %+v", what, u)
		}
	}
	// follow counts the stays up to a time, zero for all of them.
	follow := func(base measure.TempC, until time.Time) (units []thermal.Units, days []thermal.Day) {
		for _, s := range want["stay"] {
			o := open(base)
			o.From, o.To = moment(s[1]), moment(s[2])
			o.Gaps = thermal.DefaultGaps(5 * time.Minute)
			if !until.IsZero() && until.Before(o.To) {
				o.To = until
			}
			if !o.To.After(o.From) {
				break
			}
			in := thermal.New(o)
			for _, r := range water {
				add(t, in, sample{r.at, r.t + number(s[3]), probe})
			}
			if _, ok := in.Settled(); !ok {
				t.Errorf("stay %s is not settled", s[0])
			}
			units, days = append(units, in.Units()), thermal.JoinDays(days, in.Days(o.To))
		}
		return units, days
	}
	checked := 0
	for i, base := range []measure.TempC{0, 2, 8} {
		stays, days := follow(base, time.Time{})
		var total thermal.Units
		for j, u := range stays {
			total = total.Add(u)
			row := want["units"][i*len(stays)+j]
			what := fmt.Sprintf("stay %d above %v degC", j+1, base)
			if row[0] != strconv.Itoa(j+1) || number(row[1]) != float64(base) {
				t.Fatalf("%s: row %v", what, row)
			}
			near(t, what, float64(u.DegreeDays), number(row[2]), 1e-6)
			near(t, what+" TU", u.DegreeDays.TUF(), number(row[3]), 1e-6)
			checkKinds(what, u, want["stay"][j][4:])
			checked++
		}
		near(t, "total", float64(total.DegreeDays), number(want["total"][i][1]), 1e-6)
		near(t, "total TU", total.DegreeDays.TUF(), number(want["total"][i][2]), 1e-6)
		if len(days) != len(want["day"]) {
			t.Fatalf("%d days, want %d", len(days), len(want["day"]))
		}
		for j, row := range want["day"] {
			d := days[j]
			what := fmt.Sprintf("%s above %v degC", row[0], base)
			if d.Date.Format(time.DateOnly) != row[0] {
				t.Fatalf("day %v, want %s", d.Date, row[0])
			}
			near(t, what+" mean", float64(d.MeanC), number(row[1]), 1e-6)
			checkKinds(what, d.Units, row[2:])
			near(t, what, float64(d.Units.DegreeDays), number(row[5+2*i]), 1e-6)
			near(t, what+" TU", d.Units.DegreeDays.TUF(), number(row[6+2*i]), 1e-6)
			checked++
		}
		for _, row := range want["passed"] {
			if number(row[0]) != float64(base) {
				continue
			}
			var u thermal.Units
			upTo, _ := follow(base, moment(row[2]))
			for _, s := range upTo {
				u = u.Add(s)
			}
			near(t, "at "+row[2], float64(u.DegreeDays), number(row[1]), 1e-6)
			checked++
		}
	}
	if n := 3*(3+28) + 10; checked != n {
		t.Errorf("%d figures checked, want %d", checked, n)
	}
}

// course.txt is what course.awk computes from the checked-in data.
func TestCourseIsReproducible(t *testing.T) {
	if _, err := exec.LookPath("awk"); err != nil && os.Getenv("CI") != "true" {
		t.Skip("awk is not installed")
	}
	want, err := os.ReadFile(courseDir + "/course.txt")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "awk", "-f", "course.awk", "../stream-french/french.csv")
	cmd.Dir = courseDir
	cmd.Env = append(cmd.Environ(), "LC_ALL=C")
	got, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("(-course.txt +computed):\n%s", d)
	}
}
