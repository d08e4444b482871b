package lot

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/thermal"
)

// A Forecast says when a lot is expected at a stage, as a range.
type Forecast struct {
	Stage Stage
	// Need is the requirement in degree-days, adjusted to the lot's own pace;
	// not Known where only a rate of development is.
	Need Need
	// Earliest and Latest bound the expected time. Earliest is not before
	// the time the forecast was made: a stage within reach is "from now".
	Earliest, Latest time.Time
	// Overdue: the whole range is past; the keeper should look.
	Overdue bool
	// Why is the reason there is no range, "" when there is one.
	Why string
	// Estimates are the ways it was worked out, also those that Earliest and
	// Latest do not rest on because another is better founded.
	Estimates []Estimate
}

// DaysTo is how many days from then it is to Earliest and Latest, 0 once they
// are past; ok is false when there is no range.
func (f Forecast) DaysTo(then time.Time) (earliest, latest float64, ok bool) {
	if f.Why != "" {
		return 0, 0, false
	}
	until := func(t time.Time) float64 { return max(0, t.Sub(then).Hours()/24) }
	return until(f.Earliest), until(f.Latest), true
}

// The ways of an Estimate.
const (
	ByUnits = "thermal units"
	ByRate  = "rate of development"
)

// Estimate is one way to foretell a stage.
type Estimate struct {
	// By is ByUnits or ByRate.
	By string
	// Low and High bound what the stage needs, and Done is what the lot has:
	// degree-days by units; by rate, progress of the model, where 1 is the
	// stage as published.
	Low, High, Done  float64
	Earliest, Latest time.Time
	Overdue          bool
	// Used says that the forecast's range rests on it.
	Used bool
	// Source says where the figures come from.
	Source string
	// Why is the reason there is no range, "" when there is one.
	Why string
}

// DayMean is the mean temperature of one local day, degC.
type DayMean struct {
	Date  time.Time // local midnight
	MeanC measure.TempC
}

// Course is the temperature the water is expected to take.
type Course struct {
	// MeanC is the recent mean, degC, and SpreadC how far the mean of the
	// time to come may lie from what is expected.
	MeanC, SpreadC measure.TempC
	// Known is false before the first reading.
	Known bool
	// LastYear is what the water was, in order of date; empty to go on with
	// the mean alone.
	LastYear []DayMean
	// ShiftC is added to last year's temperatures.
	ShiftC measure.TempC
}

// courseDays is how many days of last year are brought to agree with the recent
// mean, and leastCourseDays how many of them must be there.
const (
	courseDays      = 7
	leastCourseDays = 4
)

// NewCourse goes on from a recent mean of the water, degC, as the same weeks of
// last year did, shifted so that last year's mean of the seven days before
// today's date agrees with it; with the mean alone where last year has too little of them.
func NewCourse(meanC, spreadC measure.TempC, lastYear []DayMean, now time.Time) Course {
	c := Course{MeanC: meanC, SpreadC: spreadC, Known: true}
	var sum measure.TempC
	n := 0
	y, m, d := now.Date()
	today := time.Date(y-1, m, d, 0, 0, 0, 0, now.Location())
	for _, d := range lastYear {
		if d.Date.Before(today) && !d.Date.Before(today.AddDate(0, 0, -courseDays)) {
			sum, n = sum+d.MeanC, n+1
		}
	}
	if n >= leastCourseDays {
		c.LastYear, c.ShiftC = lastYear, meanC-sum/measure.TempC(n)
	}
	return c
}

// On is the temperature expected on a day (any time of it, in the site's
// location), degC: last year's of the date, shifted; of a date that is missing
// the newest of the week before it; beyond last year's end the recent mean.
func (c Course) On(day time.Time) measure.TempC {
	if len(c.LastYear) == 0 {
		return c.MeanC
	}
	y, m, d := day.Date()
	date := time.Date(y-1, m, d, 0, 0, 0, 0, day.Location())
	i := sort.Search(len(c.LastYear), func(i int) bool { return c.LastYear[i].Date.After(date) }) - 1
	if i < 0 || date.Sub(c.LastYear[i].Date) > courseDays*24*time.Hour || (i == len(c.LastYear)-1 && !c.LastYear[i].Date.Equal(date)) {
		return c.MeanC
	}
	return c.LastYear[i].MeanC + c.ShiftC
}

// Outlook is what a lot's forecasts are made from.
type Outlook struct {
	Species string
	Profile Profile
	// LotNeeds are the keeper's own requirements for this lot.
	LotNeeds map[Stage]Need
	// Start is the stage it came in, and Seen when later ones were seen.
	Start Stage
	Seen  map[Stage]time.Time
	// Units is all it has gathered from fertilisation, StartUnits of that
	// before its first day here.
	Units      thermal.Units
	StartUnits measure.DegreeDays
	Days       []thermal.Day // in order, up to Now
	BaseC      measure.TempC
	// Calibrations are those of the species (and strain) at this site.
	Calibrations map[Stage]Calibration
	Course       Course
	Now          time.Time // in the site's location
}

// Observe is the observation that a lot gives of a stage it was seen at; ok is
// false if it was not, or not in the time its Days cover, or if it came so.
func Observe(o Outlook, id, strain string, s Stage) (obs Observation, ok bool) {
	at, seen := o.Seen[s]
	if !seen || slices.Index(Stages(), s) <= slices.Index(Stages(), o.Start) || len(o.Days) == 0 || at.Before(o.Days[0].Units.From) || at.After(o.Days[len(o.Days)-1].Units.To.Add(24*time.Hour)) {
		return Observation{}, false
	}
	days := thermal.Until(o.Days, at)
	obs = Observation{Lot: id, Strain: strain, Stage: s, Units: o.StartUnits, At: at}
	for _, d := range days {
		obs.Units += d.Units.DegreeDays
		obs.PlusMinus += d.Units.PlusMinus
	}
	obs.Day = obs.Units - o.StartUnits
	for _, d := range thermal.Until(o.Days, at.Add(-24*time.Hour)) {
		obs.Day -= d.Units.DegreeDays
	}
	if m := o.profile().Model(s); m.Known() {
		if start, _, ok := m.startProgress(o.StartUnits, o.BaseC, o.Days, o.Course.MeanC); ok {
			obs.Progress = start + Progress(m, days)
		}
	}
	return obs, true
}

func (o Outlook) profile() Profile {
	if o.Profile.Species == "" {
		o.Profile.Species = o.Species
	}
	return o.Profile
}

// trust orders the estimates: the range rests on the best there are.
type trust int

const (
	asPublished trust = iota
	byKeeper
	bySite // from enoughLots of the site's lots
	forLot // stated by the keeper for this very lot
)

// aim is an estimate on its way.
type aim struct {
	Estimate
	trust   trust
	model   Model // not Known: by units
	outside bool  // the model was used outside its bounds
	// fast and slow are how much is done by then in the warmest and in the
	// coldest water expected.
	fast, slow float64
}

const noReading = "no temperature reading yet"

// horizon is how many years ahead a stage is looked for.
const horizon = 2

// leastSpreadC is the least uncertainty of the temperature to come, degC (an
// assumption, no source).
const leastSpreadC measure.TempC = 0.1

// paceLow and paceHigh bound how far a lot's own pace is believed.
const paceLow, paceHigh = 0.85, 1.15

// Foresee says when the lot will reach each stage after the furthest one seen,
// by the sum of thermal units and by the rate of development where there is one
// for the species. It goes forward day by day over the expected course of the
// water, in water warmer by its spread for the earliest time and colder for the
// latest, for two years at most.
//
// What is best founded decides: what the keeper stated for this very lot; else a
// calibration from three or more of the site's lots; else the keeper's own requirement or model; else the published ones, and
// then the range holds both. When an earlier stage was seen, the requirement of
// the later ones is scaled by how the lot did up to there, limited to 0.85 to
// 1.15. A stage for which nothing is known has Why set.
func Foresee(o Outlook) []Forecast {
	o.Profile = o.profile()
	furthest := slices.Index(Stages(), o.Start)
	for s := range o.Seen {
		furthest = max(furthest, slices.Index(Stages(), s))
	}
	later := Stages()[furthest+1:]
	out := make([]Forecast, len(later))
	all := make([][]*aim, len(later))
	var open []*aim
	for i, s := range later {
		out[i].Stage = s
		all[i] = o.aims(&out[i], Stages()[:furthest+1])
		for _, a := range all[i] {
			switch {
			case a.Why != "":
			case a.Done >= a.High:
				a.Overdue = true
				a.Earliest, a.Latest = o.Now, o.Now
			case !o.Course.Known:
				a.Why = noReading
			default:
				open = append(open, a)
			}
		}
	}
	o.run(open)
	for i := range out {
		combine(&out[i], all[i])
	}
	return out
}

// aims sets up the estimates of a stage and the forecast's Need, or its Why;
// behind are the stages up to the furthest seen.
func (o Outlook) aims(f *Forecast, behind []Stage) []*aim {
	var out []*aim
	pace, pacedBy, seen := o.seen(behind)
	paced := func(by float64) string {
		if math.Abs(by-1) < 0.005 {
			return ""
		}
		return fmt.Sprintf("; times %.2f, as this lot was at %s", by, pacedBy)
	}
	if n, t := o.need(f.Stage); n.Known() {
		by := 1.0
		if mid := o.middle(pacedBy); seen && mid > 0 {
			by = min(max(pace.units()/mid, paceLow), paceHigh)
		}
		n.Low, n.High, n.Source = n.Low*measure.DegreeDays(by), n.High*measure.DegreeDays(by), n.Source+paced(by)
		f.Need = n
		out = append(out, &aim{
			Estimate: Estimate{By: ByUnits, Low: float64(n.Low), High: float64(n.High), Done: float64(o.Units.DegreeDays), Source: n.Source},
			trust:    t,
		})
	}
	cal := o.Calibrations[f.Stage]
	for _, m := range o.Profile.models(f.Stage) {
		start, startC, ok := m.startProgress(o.StartUnits, o.BaseC, o.Days, o.Course.MeanC)
		a := &aim{model: m.Model, Estimate: Estimate{By: ByRate, Low: 1 - m.spread, High: 1 + m.spread, Source: m.Source}}
		switch {
		case !ok && o.Course.Known:
			a.Why = "the water is not above the base temperature"
		case !ok:
			a.Why = noReading
		}
		if m.own {
			a.trust = byKeeper
		}
		calibrated := cal.Factor > 0
		if calibrated {
			half := float64((cal.Need.High - cal.Need.Low) / (cal.Need.High + cal.Need.Low))
			a.Low, a.High = cal.Factor*(1-half), cal.Factor*(1+half)
			a.Source += fmt.Sprintf(", times %.2f from %s", cal.Factor, cal.words())
			if cal.Lots >= enoughLots {
				a.trust = bySite
			}
		}
		by := 1.0
		if factor := o.factor(pacedBy); seen && pace.Progress > 0 {
			by = min(max(pace.progress()/factor, paceLow), paceHigh)
		}
		a.Low, a.High, a.Source = a.Low*by, a.High*by, a.Source+paced(by)
		if start > 0 {
			a.Source += fmt.Sprintf("; the %.0f degree-days from before it came are taken as gathered at %.1f degC", o.StartUnits, startC)
		}
		a.Done, a.outside = progress(m.Model, o.Days)
		a.Done += start
		out = append(out, a)
		if calibrated {
			break // the site's factor is that of the preferred model
		}
	}
	if len(out) == 0 {
		f.Why = "no requirement is known for " + o.Profile.Species
		if o.BaseC != 0 {
			f.Why += " above this base temperature"
		}
		f.Why += "; write your own under needs"
	}
	return out
}

// seen is the observation of the newest stage seen here.
func (o Outlook) seen(behind []Stage) (Observation, Stage, bool) {
	for _, s := range slices.Backward(behind) {
		if obs, ok := Observe(o, "", "", s); ok && obs.units() > 0 {
			return obs, s, true
		}
	}
	return Observation{}, "", false
}

// middle is the middle of a stage's requirement, 0 when it is not known.
func (o Outlook) middle(s Stage) float64 {
	n, _ := o.need(s)
	return float64(n.Low+n.High) / 2
}

// factor is the progress of the model at which a stage is expected.
func (o Outlook) factor(s Stage) float64 {
	if f := o.Calibrations[s].Factor; f > 0 {
		return f
	}
	return 1
}

// need is the best requirement for a stage in degree-days. Published figures
// count from 0 degC and are no measure for a lot counted from another base.
func (o Outlook) need(s Stage) (Need, trust) {
	if n := o.LotNeeds[s]; n.Known() {
		return n, forLot
	}
	cal := o.Calibrations[s]
	if cal.Lots >= enoughLots {
		return cal.Need, bySite
	}
	t := asPublished
	if o.Profile.Needs[s].Known() {
		t = byKeeper
	}
	if cal.Lots > 0 {
		return cal.Need, t
	}
	return o.Profile.need(s, o.BaseC == 0), t
}

// run moves the aims forward until all are reached or two years are over.
func (o Outlook) run(open []*aim) {
	for _, a := range open {
		a.fast, a.slow = a.Done, a.Done
		if a.Done >= a.Low {
			a.Earliest = o.Now
		}
	}
	spread := max(o.Course.SpreadC, leastSpreadC)
	end := o.Now.AddDate(horizon, 0, 0)
	for at := o.Now; len(open) > 0 && at.Before(end); {
		y, m, d := at.Date()
		next := time.Date(y, m, d+1, 0, 0, 0, 0, at.Location())
		t := o.Course.On(at)
		still := open[:0]
		for _, a := range open {
			if a.Earliest.IsZero() {
				a.Earliest = a.advance(&a.fast, a.Low, t+spread, o.BaseC, at, next)
			}
			if a.Latest = a.advance(&a.slow, a.High, t-spread, o.BaseC, at, next); a.Latest.IsZero() {
				still = append(still, a)
			}
		}
		open, at = still, next
	}
	for _, a := range open {
		a.Latest = end
		if a.Earliest.IsZero() {
			a.Latest = time.Time{}
			a.Why = "not within two years, as cold as the water is expected to be"
		}
	}
}

// advance counts a span at a temperature; it gives the time at which the goal
// is reached, zero if it is not.
func (a *aim) advance(done *float64, goal float64, t, base measure.TempC, from, to time.Time) time.Time {
	rate := max(0, float64(t-base)) // a day
	if a.model.Known() {
		days, clamped := a.model.days(t)
		rate, a.outside = 1/days, a.outside || clamped
	}
	span := to.Sub(from)
	gain := rate * float64(span) / float64(24*time.Hour)
	if gain <= 0 || *done+gain < goal {
		*done += gain
		return time.Time{}
	}
	return from.Add(time.Duration(max(0, goal-*done) / gain * float64(span)))
}

// combine makes the range of the best founded estimates.
func combine(f *Forecast, aims []*aim) {
	best := asPublished
	found := false
	for _, a := range aims {
		if a.Why == "" {
			found, best = true, max(best, a.trust)
		}
	}
	f.Overdue = found
	for _, a := range aims {
		if a.Why == "" && a.trust == best {
			a.Used = true
			f.Overdue = f.Overdue && a.Overdue
			if f.Earliest.IsZero() || a.Earliest.Before(f.Earliest) {
				f.Earliest = a.Earliest
			}
			if a.Latest.After(f.Latest) {
				f.Latest = a.Latest
			}
		}
		if a.outside {
			a.Source += "; the water is not always within " + a.model.bounds() + ", which the model holds for, and the nearer end's rate stands in"
		}
		f.Estimates = append(f.Estimates, a.Estimate)
	}
	if !found && len(aims) > 0 {
		f.Why = aims[0].Why
	}
}
