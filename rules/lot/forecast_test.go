package lot_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/thermal"
)

func TestCourse(t *testing.T) {
	now := time.Date(2026, 11, 1, 15, 0, 0, 0, time.UTC)
	// Last year the water fell by a tenth a day from 9 degC on 20 October.
	var year []lot.DayMean
	for i := range 40 {
		if i == 25 { // 14 November is missing
			continue
		}
		year = append(year, lot.DayMean{Date: time.Date(2025, 10, 20+i, 0, 0, 0, 0, time.UTC), MeanC: measure.TempC(9 - float64(i)/10)})
	}
	// The seven days before 1 November were 8.5 to 7.9, 8.2 in the mean, and
	// are 7.2 this year: shifted by one degree.
	c := lot.NewCourse(7.2, 0.3, year, now)
	near(t, "shift", float64(c.ShiftC), -1, 1e-9)
	on := func(month time.Month, day, hour int) float64 {
		return float64(c.On(time.Date(2026, month, day, hour, 0, 0, 0, time.UTC)))
	}
	near(t, "today", on(11, 1, 15), 7.8-1, 1e-9)
	near(t, "at the end of a day", on(11, 10, 23), 6.9-1, 1e-9)
	near(t, "a missing day has the one before", on(11, 14, 0), 6.6-1, 1e-9)
	near(t, "the last day", on(11, 28, 0), 5.1-1, 1e-9)
	near(t, "beyond the end the mean", on(11, 29, 0), 7.2, 1e-9)
	near(t, "before the beginning the mean", on(10, 19, 23), 7.2, 1e-9)
	if c := lot.NewCourse(7.2, 0.3, year[8:], now); len(c.LastYear) == 0 {
		t.Error("four days of last year make no course")
	}
	if c := lot.NewCourse(7.2, 0.3, year[9:], now); len(c.LastYear) != 0 || c.On(now) != 7.2 {
		t.Errorf("three days of last year make a course: %+v", c)
	}
	// Dates are the site's: midnight there is not midnight UTC.
	loc := time.FixedZone("UTC-8", -8*3600)
	local := lot.Course{MeanC: 5, Known: true, LastYear: []lot.DayMean{{time.Date(2025, 3, 1, 0, 0, 0, 0, loc), 6}, {time.Date(2025, 3, 2, 0, 0, 0, 0, loc), 8}}}
	near(t, "an evening there", float64(local.On(time.Date(2026, 3, 1, 20, 0, 0, 0, loc))), 6, 0)
}

var keepers = map[lot.Stage]lot.Need{
	lot.Eyed: {Low: 200, High: 240, Source: "site file"}, lot.Hatch: {Low: 400, High: 480, Source: "site file"}, lot.SwimUp: {Low: 640, High: 800, Source: "site file"},
}

// outlook is a lot after days at 8 degC, in water that will stay so, its spread
// the least.
func outlook(species string, days int) lot.Outlook {
	return lot.Outlook{
		Species: species, Start: lot.Green, Days: daily(0, 0.1, repeat(8, days)...),
		Units:  thermal.Units{DegreeDays: measure.DegreeDays(8 * days)},
		Course: lot.Course{MeanC: 8, Known: true}, Now: at(24 * float64(days)),
	}
}

// The dates in days from now; the spread of 0.1 degC counts, so 240 degree-days
// take from 240/8.1 to 240/7.9 days.
func TestForesee(t *testing.T) {
	type span struct{ from, to float64 }
	site := func(lots int, factor float64) map[lot.Stage]lot.Calibration {
		return map[lot.Stage]lot.Calibration{lot.Hatch: {
			Stage: lot.Hatch, Lots: lots, Factor: factor, Need: lot.Need{Low: 430, High: 450, Source: "lots of this site"},
		}}
	}
	tests := []struct {
		name    string
		species string
		days    int
		change  func(*lot.Outlook)
		want    map[lot.Stage]span
		used    string // of hatch: the estimates, * before those used
		source  string // in the source of one of hatch
	}{
		{
			"own needs", "arctic char", 20, func(o *lot.Outlook) { o.LotNeeds = keepers },
			map[lot.Stage]span{lot.Eyed: {40 / 8.1, 80 / 7.9}, lot.Hatch: {240 / 8.1, 320 / 7.9}, lot.SwimUp: {480 / 8.1, 640 / 7.9}},
			"*thermal units", "site file",
		},
		{
			"the profile's needs are the keeper's too", "brown trout", 20, func(o *lot.Outlook) { o.Profile.Needs = keepers },
			map[lot.Stage]span{lot.Hatch: {240 / 8.1, 320 / 7.9}},
			"*thermal units, rate of development", "site file",
		},
		{
			"a wide spread", "arctic char", 20, func(o *lot.Outlook) { o.LotNeeds, o.Course.SpreadC = keepers, 2 },
			map[lot.Stage]span{lot.Hatch: {240 / 10.0, 320 / 6.0}},
			"*thermal units", "",
		},
		// Crisp: 56.4 d at 8 degC, of which 20 are done, 55.5 at 8.1 and 57.3
		// at 7.9: 10 percent either side is 30.3 to 42.7 d away. The sum, 388
		// to 474, is 28.1 to 39.8 d away.
		{
			"published sum and rate hold each other", "brown trout", 20, nil,
			map[lot.Stage]span{lot.Hatch: {(387.99 - 160) / 8.1, 42.7}},
			"*thermal units, *rate of development", "from memory",
		},
		{
			"only a rate", "atlantic salmon", 20, nil,
			// 62.3 d at 8 degC: 8.1 and 7.9 degC take 61.45 and 63.18.
			map[lot.Stage]span{lot.Eyed: {0.9*61.45/2 - 20*61.45/62.3, 1.1*63.18/2 - 20*63.18/62.3}, lot.Hatch: {0.9*61.45 - 20*61.45/62.3, 1.1*63.18 - 20*63.18/62.3}},
			"*rate of development", "Crisp 1981",
		},
		{
			"the site's lots above what is stated of the species", "brown trout", 20, func(o *lot.Outlook) { o.Profile.Needs, o.Calibrations = keepers, site(3, 0) },
			map[lot.Stage]span{lot.Hatch: {270 / 8.1, 290 / 7.9}},
			"*thermal units, rate of development", "lots of this site",
		},
		{
			"what is stated for this lot above all", "brown trout", 20, func(o *lot.Outlook) { o.LotNeeds, o.Calibrations = keepers, site(3, 0) },
			map[lot.Stage]span{lot.Hatch: {240 / 8.1, 320 / 7.9}},
			"*thermal units, rate of development", "site file",
		},
		{
			"two lots are no more than what was published", "brown trout", 20, func(o *lot.Outlook) { o.Calibrations = site(2, 0) },
			map[lot.Stage]span{lot.Hatch: {30.3, 42.7}},
			"*thermal units, *rate of development", "lots of this site",
		},
		{
			"two lots are less than the keeper's own for this lot", "brown trout", 20, func(o *lot.Outlook) { o.LotNeeds, o.Calibrations = keepers, site(2, 0) },
			map[lot.Stage]span{lot.Hatch: {240 / 8.1, 320 / 7.9}},
			"*thermal units, rate of development", "site file",
		},
		// At 0.98 of the model, 2.27 percent either side: to 1.0023, 37.1 d.
		{
			"the site's factor for the rate", "brown trout", 20, func(o *lot.Outlook) { o.Calibrations = site(3, 0.98) },
			map[lot.Stage]span{lot.Hatch: {270 / 8.1, 37.1}},
			"*thermal units, *rate of development", "times 0.98 from 3 of this site's lots",
		},
		{
			"the keeper's own rate", "brook trout", 20, func(o *lot.Outlook) {
				o.Profile.Models = map[lot.Stage]lot.Model{lot.Hatch: {Form: lot.Exponential, A: 4, Source: "site file"}} // 54.6 d whatever the water
			},
			map[lot.Stage]span{lot.Hatch: {0.9*54.598 - 20, 1.1*54.598 - 20}},
			"thermal units, *rate of development", "site file",
		},
		// 8 degC above 2 is 6; the published sum is none, the rate stays.
		{
			"above a base", "brown trout", 20, func(o *lot.Outlook) { o.BaseC, o.Units.DegreeDays = 2, 120 },
			map[lot.Stage]span{lot.Hatch: {30.3, 42.7}},
			"*rate of development", "",
		},
		// Eyed at 193.6, half a day's 4 off, where the middle is 220: all
		// later needs by 189.6/220.
		{
			"a fast lot", "arctic char", 30, func(o *lot.Outlook) {
				o.LotNeeds, o.Seen = keepers, map[lot.Stage]time.Time{lot.Eyed: at(24 * 24.2)}
			},
			map[lot.Stage]span{lot.Hatch: {(400*189.6/220 - 240) / 8.1, (480*189.6/220 - 240) / 7.9}},
			"*thermal units", "times 0.86, as this lot was at eyed",
		},
		{
			"faster than is believed", "arctic char", 30, func(o *lot.Outlook) {
				o.LotNeeds, o.Seen = keepers, map[lot.Stage]time.Time{lot.Eyed: at(24 * 10)}
			},
			map[lot.Stage]span{lot.Hatch: {(400*0.85 - 240) / 8.1, (480*0.85 - 240) / 7.9}},
			"*thermal units", "times 0.85, as this lot was at eyed",
		},
		{
			"as expected", "arctic char", 30, func(o *lot.Outlook) {
				o.LotNeeds, o.Seen = keepers, map[lot.Stage]time.Time{lot.Eyed: at(24 * 28)} // 224 less half of 8
			},
			map[lot.Stage]span{lot.Hatch: {160 / 8.1, 240 / 7.9}},
			"*thermal units", "site file",
		},
		// Crisp to eyed 31.2 d at 8 degC; seen at 34 less half a day: 1.0754.
		{
			"the rate's own pace", "atlantic salmon", 40, func(o *lot.Outlook) {
				o.Seen = map[lot.Stage]time.Time{lot.Eyed: at(24 * 34)}
			},
			map[lot.Stage]span{lot.Hatch: {0.9*1.0754*61.45 - 40*61.45/62.3, 1.1*1.0754*63.18 - 40*63.18/62.3}},
			"*rate of development", "times 1.08, as this lot was at eyed",
		},
		// The site's lots eye at 1.0754 of the model, so this one is as
		// expected.
		{
			"the site's pace", "atlantic salmon", 40, func(o *lot.Outlook) {
				o.Seen = map[lot.Stage]time.Time{lot.Eyed: at(24 * 34)}
				o.Calibrations = map[lot.Stage]lot.Calibration{lot.Eyed: {Stage: lot.Eyed, Lots: 4, Factor: 1.0754, Need: lot.Need{Low: 260, High: 280}}}
			},
			map[lot.Stage]span{lot.Hatch: {0.9*61.45 - 40*61.45/62.3, 1.1*63.18 - 40*63.18/62.3}},
			"*rate of development", "Crisp 1981",
		},
		// It came eyed with 220: its pace is not known from that.
		{
			"came eyed", "arctic char", 10, func(o *lot.Outlook) {
				o.LotNeeds, o.Start, o.StartUnits, o.Units.DegreeDays = keepers, lot.Eyed, 220, 300
				o.Seen = map[lot.Stage]time.Time{lot.Eyed: at(0)}
			},
			map[lot.Stage]span{lot.Hatch: {100 / 8.1, 180 / 7.9}},
			"*thermal units", "site file",
		},
		// 160 degree-days from before at 8 degC are 20 days of the rate.
		{
			"came with units", "atlantic salmon", 10, func(o *lot.Outlook) {
				o.Start, o.StartUnits, o.Units.DegreeDays = lot.Eyed, 160, 240
			},
			map[lot.Stage]span{lot.Hatch: {0.9*61.45 - 30*61.45/62.3, 1.1*63.18 - 30*63.18/62.3}},
			"*rate of development", "160 degree-days from before it came are taken as gathered at 8.0 degC",
		},
		{
			"within the range: from now", "arctic char", 55, func(o *lot.Outlook) { o.LotNeeds, o.Start = keepers, lot.Eyed },
			map[lot.Stage]span{lot.Hatch: {0, 40 / 7.9}},
			"*thermal units", "",
		},
		{
			"warmer than the model holds for", "rainbow trout", 10, func(o *lot.Outlook) { o.Course.MeanC = 14 },
			nil, "*thermal units, *rate of development", "not always within 2 to 12 degC",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			o := outlook(tt.species, tt.days)
			if tt.change != nil {
				tt.change(&o)
			}
			got := lot.Foresee(o)
			var hatch lot.Forecast
			for _, f := range got {
				if want, ok := tt.want[f.Stage]; ok {
					earliest, latest, ok := f.DaysTo(o.Now)
					near(t, string(f.Stage)+" earliest", earliest, want.from, 0.1)
					near(t, string(f.Stage)+" latest", latest, want.to, 0.1)
					if !ok || f.Overdue {
						t.Errorf("%s: %+v", f.Stage, f)
					}
				}
				if f.Stage == lot.Hatch {
					hatch = f
				}
			}
			var used, sources []string
			for _, e := range hatch.Estimates {
				mark := ""
				if e.Used {
					mark = "*"
				}
				used, sources = append(used, mark+e.By), append(sources, e.Source)
			}
			if got := strings.Join(used, ", "); got != tt.used {
				t.Errorf("hatch by %s, want %s", got, tt.used)
			}
			if !strings.Contains(strings.Join(sources, "\n"), tt.source) {
				t.Errorf("sources %q, want %q in them", sources, tt.source)
			}
		})
	}
}

// What is past its range is due; what has none says why.
func TestForeseeWithoutDates(t *testing.T) {
	tests := []struct {
		name    string
		species string
		change  func(*lot.Outlook)
		why     string // of hatch, "overdue" for that
	}{
		{"overdue", "arctic char", func(o *lot.Outlook) { o.LotNeeds, o.Units.DegreeDays = keepers, 480 }, "overdue"},
		{"overdue without a temperature", "arctic char", func(o *lot.Outlook) {
			o.LotNeeds, o.Units.DegreeDays, o.Course = keepers, 480, lot.Course{}
		}, "overdue"},
		{"only one of two is past", "brown trout", func(o *lot.Outlook) { o.Units.DegreeDays = 480 }, ""},
		{"only the other is past", "brown trout", func(o *lot.Outlook) { o.Days = daily(0, 0, repeat(8, 70)...) }, ""},
		{"nothing heard", "brown trout", func(o *lot.Outlook) { o.Course = lot.Course{} }, "no temperature reading yet"},
		{"nothing known", "arctic char", nil, "no requirement is known for arctic char; write your own under needs"},
		{"nothing known above a base", "brook trout", func(o *lot.Outlook) { o.BaseC = 2 }, "no requirement is known for brook trout above this base temperature; write your own under needs"},
		{"came with units, nothing heard", "atlantic salmon", func(o *lot.Outlook) { o.StartUnits, o.Days, o.Course = 100, nil, lot.Course{} }, "no temperature reading yet"},
		{"came with units into ice", "atlantic salmon", func(o *lot.Outlook) { o.StartUnits, o.Days, o.Course.MeanC = 100, nil, 0 }, "the water is not above the base temperature"},
		{"too cold", "arctic char", func(o *lot.Outlook) { o.LotNeeds, o.Course.MeanC, o.Course.SpreadC = keepers, 0.2, 0.1 }, "not within two years, as cold as the water is expected to be"},
		{"perhaps within two years", "arctic char", func(o *lot.Outlook) { o.LotNeeds, o.Course.MeanC, o.Course.SpreadC = keepers, 0.5, 0.4 }, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			o := outlook(tt.species, 20)
			if tt.change != nil {
				tt.change(&o)
			}
			f := lot.Foresee(o)[1]
			why := f.Why
			if f.Overdue {
				why = "overdue"
				if !f.Earliest.Equal(o.Now) || !f.Latest.Equal(o.Now) {
					t.Errorf("due %v to %v, not now", f.Earliest, f.Latest)
				}
			}
			if why != tt.why {
				t.Errorf("%q, want %q", why, tt.why)
			}
			if (f.Why == "") == f.Latest.IsZero() {
				t.Errorf("from %v to %v, because %q", f.Earliest, f.Latest, f.Why)
			}
			if _, _, ok := f.DaysTo(o.Now); ok != (f.Why == "") {
				t.Error("days to a date that there is not")
			}
		})
	}
	o := outlook("arctic char", 20)
	o.LotNeeds, o.Course.MeanC, o.Course.SpreadC = keepers, 0.5, 0.4
	if f := lot.Foresee(o)[1]; !f.Latest.Equal(o.Now.AddDate(2, 0, 0)) {
		t.Errorf("latest %v, want the end of two years", f.Latest)
	}
}

// The rate that the site's lots speak of is the preferred one, ponding of
// chinook; the other published one has no say then.
func TestForeseeOneRateCalibrated(t *testing.T) {
	o := outlook("chinook", 20)
	if n := len(lot.Foresee(o)[2].Estimates); n != 3 {
		t.Errorf("%d estimates of swim-up, want the sum and two rates", n)
	}
	o.Calibrations = map[lot.Stage]lot.Calibration{lot.SwimUp: {Stage: lot.SwimUp, Lots: 3, Factor: 1.02, Need: lot.Need{Low: 850, High: 950}}}
	if n := len(lot.Foresee(o)[2].Estimates); n != 2 {
		t.Errorf("%d estimates of swim-up, want the sum and one rate", n)
	}
}

// A lot's pace is that of the newest stage seen.
func TestForeseeNewestPace(t *testing.T) {
	o := outlook("arctic char", 60)
	o.LotNeeds = keepers
	// 196 of 220 when eyed, 444 of 440 when hatched.
	o.Seen = map[lot.Stage]time.Time{lot.Eyed: at(24 * 25), lot.Hatch: at(24 * 56)}
	earliest, _, _ := lot.Foresee(o)[0].DaysTo(o.Now)
	near(t, "swim-up earliest", earliest, (640*444.0/440-480)/8.1, 1e-6)
}

// What a lot came with is taken as gathered in water like that of its first
// week, not of a single day of it, nor of what came later.
func TestForeseeStartProgress(t *testing.T) {
	o := outlook("atlantic salmon", 0)
	o.Start, o.StartUnits = lot.Eyed, 160
	o.Days = daily(0, 0, slices.Concat([]float64{2, 9, 9, 9, 9, 9, 9}, repeat(4, 20))...)
	o.Now = at(24 * 27)
	if s := lot.Foresee(o)[0].Estimates[0].Source; !strings.Contains(s, "gathered at 8.0 degC") {
		t.Errorf("source %q, want 8.0 degC in it", s)
	}
}

// Only the stages after the furthest one seen or come with.
func TestForeseeStages(t *testing.T) {
	for _, tt := range []struct {
		start lot.Stage
		seen  []lot.Stage
		want  []lot.Stage
	}{
		{lot.Green, nil, []lot.Stage{lot.Eyed, lot.Hatch, lot.SwimUp}},
		{lot.Eyed, nil, []lot.Stage{lot.Hatch, lot.SwimUp}},
		{lot.Green, []lot.Stage{lot.Hatch}, []lot.Stage{lot.SwimUp}},
		{lot.Hatch, []lot.Stage{lot.Eyed}, []lot.Stage{lot.SwimUp}},
		{lot.SwimUp, nil, nil},
	} {
		o := outlook("brook trout", 20)
		o.Start, o.Seen = tt.start, make(map[lot.Stage]time.Time)
		for _, s := range tt.seen {
			o.Seen[s] = at(100)
		}
		var got []lot.Stage
		for _, f := range lot.Foresee(o) {
			got = append(got, f.Stage)
		}
		if d := cmp.Diff(tt.want, got); d != "" {
			t.Errorf("%s, seen %v (-want +got):\n%s", tt.start, tt.seen, d)
		}
	}
}

// A course that will change is followed day by day: ten days at 8, then 4 degC.
func TestForeseeFollowsTheCourse(t *testing.T) {
	o := outlook("arctic char", 20)
	o.LotNeeds = map[lot.Stage]lot.Need{lot.Hatch: {Low: 160 + 80 + 40, High: 160 + 80 + 40, Source: "site file"}}
	o.Now = time.Date(2026, 11, 3, 18, 0, 0, 0, time.UTC) // a quarter of a day is left
	for i := range 60 {
		c := measure.TempC(8)
		if i > 17 {
			c = 4
		}
		o.Course.LastYear = append(o.Course.LastYear, lot.DayMean{Date: time.Date(2025, 10, 27+i, 0, 0, 0, 0, time.UTC), MeanC: c})
	}
	f := lot.Foresee(o)[0]
	if f.Stage != lot.Eyed {
		t.Fatal(f.Stage)
	}
	f = lot.Foresee(o)[1]
	earliest, latest, _ := f.DaysTo(o.Now)
	// 10.25 d at 8 are 82, 38 more at 4 are 9.5 d; with 0.1 degC more or less.
	near(t, "earliest", earliest, 10.25+(120-10.25*8.1)/4.1, 1e-6)
	near(t, "latest", latest, 10.25+(120-10.25*7.9)/3.9, 1e-6)
}

func TestForeseeWarmerIsSooner(t *testing.T) {
	for _, species := range slices.Concat(lot.PublishedSpecies(), []string{"atlantic salmon"}) {
		last := map[lot.Stage]time.Time{}
		for c := measure.TempC(3); c <= 12; c++ {
			o := outlook(species, 5)
			o.Course.MeanC = c
			now := map[lot.Stage]time.Time{}
			for _, f := range lot.Foresee(o) {
				now[f.Stage] = f.Latest
				if was, ok := last[f.Stage]; ok && !f.Latest.Before(was) || f.Latest.Before(f.Earliest) {
					t.Errorf("%s %s at %g degC: %v to %v, at a degree less %v", species, f.Stage, c, f.Earliest, f.Latest, was)
				}
			}
			last = now
		}
	}
}

func BenchmarkForesee(b *testing.B) {
	for _, species := range []string{"brook trout", "brown trout", "chinook"} {
		b.Run(species, func(b *testing.B) {
			o := outlook(species, 30)
			o.Seen = map[lot.Stage]time.Time{}
			for i := range 365 {
				o.Course.LastYear = append(o.Course.LastYear, lot.DayMean{Date: o.Now.Truncate(24*time.Hour).AddDate(-1, 0, i-10), MeanC: measure.TempC(6 + 2*float64(i%7)/7)})
			}
			b.ReportAllocs()
			for b.Loop() {
				lot.Foresee(o)
			}
		})
	}
}
