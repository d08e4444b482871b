package sheet

import (
	"fmt"
	"math"
	"strings"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// plot is a drawing of a lot's days, in the words of SVG: the units gathered
// above, the daily mean temperature below, over the same days.
type plot struct {
	W, H   int
	Words  string // the same in a sentence, for who cannot see it
	Rects  []plotRect
	Lines  []plotLine
	Paths  []plotPath
	Dots   []plotDot
	Labels []plotLabel
}

type (
	plotRect struct {
		X, Y, W, H float64
		Class      string
	}
	plotLine struct {
		X1, Y1, X2, Y2 float64
		Class          string
	}
	plotPath struct{ D, Class string }
	plotDot  struct {
		X, Y, R float64
		Class   string
	}
	plotLabel struct {
		X, Y          float64
		Anchor, Words string
	}
)

// Where things are in the drawing.
const (
	plotW, plotH     = 720, 470
	plotL, plotR     = 52.0, 668.0 // left and right ends of the days
	unitsT, unitsB   = 24.0, 290.0
	tempT, tempB     = 330.0, 425.0
	labelH           = 14.0
	seenLabelW       = 170.0
	mostlyMeasured   = 0.9 // share of a day from which its mark is filled
	widestTicks      = 8
	plotFormTick     = "2 Jan"
	plotLeastSpreadC = 2.0
)

// newPlot draws a lot's days; nil when there are none, or not all yet.
func newPlot(s *rules.LotSheet, at *site.Site) *plot {
	if len(s.Days) == 0 || s.Counting {
		return nil
	}
	p := &plot{W: plotW, H: plotH}
	loc, show := at.Location, at.Show.Temperature

	// The days run from the first one to the last one that matters.
	days := s.Days[:shown(s)]
	total, first, before := totals(s, loc)
	from := days[0].Date
	last := days[len(days)-1].Date.AddDate(0, 0, 1)
	to := last
	reached := s.Units.DegreeDays
	if len(days) < len(s.Days) && first < len(days) {
		reached = total[len(days)-1]
	}
	top := float64(reached)
	for _, f := range s.Forecast {
		if f.Need.Known() {
			top = max(top, float64(f.Need.High))
		}
		if f.Why == "" && f.Latest.After(to) {
			to = f.Latest
		}
	}
	for _, x := range s.Seen {
		// So that its words find room beside its mark.
		if need := time.Duration(float64(x.At.Sub(from)) * (plotR - plotL) / (plotR - plotL - seenLabelW)); from.Add(need).After(to) {
			to = from.Add(need)
		}
	}
	x := func(t time.Time) float64 {
		return plotL + (plotR-plotL)*min(1, max(0, float64(t.Sub(from))/float64(to.Sub(from))))
	}
	step := tickStep(top/5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
	top = step * max(1, math.Ceil(top*1.02/step))
	y := func(d measure.DegreeDays) float64 { return unitsB - (unitsB-unitsT)*float64(d)/top }

	low, high := math.Inf(1), math.Inf(-1)
	for _, d := range days {
		low, high = min(low, float64(d.MeanC)), max(high, float64(d.MeanC))
	}
	p.Words = fmt.Sprintf("From %s: daily means from %s to %s, and %s gathered.", Dates(from, last.AddDate(0, 0, -1), loc),
		show.Format(low), show.Format(high), units(reached))
	if spread := high - low; spread < plotLeastSpreadC {
		low, high = low-(plotLeastSpreadC-spread)/2, high+(plotLeastSpreadC-spread)/2
	}
	showLow, showHigh := show.FromBase(low), show.FromBase(high)
	tempStep := tickStep((showHigh-showLow)/3, 0.5, 1, 2, 5, 10, 20)
	showLow, showHigh = tempStep*math.Floor(showLow/tempStep), tempStep*math.Ceil(showHigh/tempStep)
	ty := func(c measure.TempC) float64 {
		return tempB - (tempB-tempT)*(show.FromBase(float64(c))-showLow)/(showHigh-showLow)
	}

	// What each stage to come needs, and when it is expected.
	nameY := math.Inf(1)
	for _, f := range s.Forecast {
		if !f.Need.Known() {
			continue
		}
		y1, y2 := y(f.Need.High), y(f.Need.Low)
		p.Rects = append(p.Rects, plotRect{plotL, y1, plotR - plotL, max(1, y2-y1), "need"})
		if f.Why == "" && !f.Overdue {
			x1, x2 := x(f.Earliest), x(f.Latest)
			p.Rects = append(p.Rects, plotRect{x1, y1, max(1, x2-x1), max(1, y2-y1), "due"})
		}
		// Later stages lie higher; their words must not run into each other.
		nameY = min((y1+y2)/2+4, nameY-labelH)
		p.label(plotL+6, nameY, "start", StageWords(f.Stage)+" needs "+span(float64(f.Need.Low), float64(f.Need.High)))
	}

	// The axes.
	for v := 0.0; v <= top; v += step {
		p.Lines = append(p.Lines, plotLine{plotL, y(measure.DegreeDays(v)), plotR, y(measure.DegreeDays(v)), "grid"})
		p.label(plotL-5, y(measure.DegreeDays(v))+4, "end", number(v, 0))
		p.label(plotR+5, y(measure.DegreeDays(v))+4, "start", number(measure.DegreeDays(v).TUF(), 0))
	}
	p.label(plotL-5, unitsT-10, "start", "degree-days gathered")
	p.label(plotR+5, unitsT-10, "end", "TU")
	for v := showLow; v <= showHigh+tempStep/2; v += tempStep {
		ly := tempB - (tempB-tempT)*(v-showLow)/(showHigh-showLow)
		p.Lines = append(p.Lines, plotLine{plotL, ly, plotR, ly, "grid"})
		p.label(plotL-5, ly+4, "end", number(v, 1))
	}
	p.label(plotL-5, tempT-10, "start", "daily mean, "+show.String()+" (hollow: a tenth of the day or more was not measured)")
	span := daysBetween(from, to, loc)
	for day, n := from, int(tickStep(float64(span)/widestTicks, 1, 2, 7, 14, 28, 56, 112, 365)); !day.After(to); day = day.AddDate(0, 0, n) {
		p.Lines = append(p.Lines, plotLine{x(day), unitsB, x(day), unitsB + 4, "axis"}, plotLine{x(day), tempB, x(day), tempB + 4, "axis"})
		p.label(x(day), tempB+18, "middle", day.In(loc).Format(plotFormTick))
	}
	p.Lines = append(p.Lines, plotLine{plotL, unitsB, plotR, unitsB, "axis"}, plotLine{plotL, tempB, plotR, tempB, "axis"})

	// What was gathered and how warm it was.
	var gathered, warmth []string
	for i, d := range days {
		end := d.Units.To
		if end.IsZero() {
			end = d.Date.AddDate(0, 0, 1)
		}
		if i == first {
			gathered = append(gathered, fmt.Sprintf("M%.1f %.1f", x(d.Date), y(before)))
		}
		if i >= first {
			gathered = append(gathered, fmt.Sprintf("L%.1f %.1f", x(end), y(total[i])))
		}
		noon := d.Date.Add(12 * time.Hour)
		warmth = append(warmth, fmt.Sprintf("%.1f %.1f", x(noon), ty(d.MeanC)))
		class := "est"
		if all := d.Units.Measured + d.Units.Bridged + d.Units.Estimated(); float64(d.Units.Measured+d.Units.Bridged) > mostlyMeasured*float64(all) {
			class = "own"
		}
		p.Dots = append(p.Dots, plotDot{x(noon), ty(d.MeanC), 2.2, class})
	}
	if len(gathered) > 0 {
		p.Paths = append(p.Paths, plotPath{strings.Join(gathered, " "), "gathered"})
	}
	p.Paths = append(p.Paths, plotPath{"M" + strings.Join(warmth, " L"), "warmth"})

	// Stages seen: words to the lower right of their mark, where the line is not.
	down := math.Inf(-1)
	for i := len(s.Seen) - 1; i >= 0; i-- {
		m := s.Seen[i]
		mx, my := x(m.At), y(m.Units.DegreeDays)
		p.Paths = append(p.Paths, plotPath{fmt.Sprintf("M%.1f %.1f l5 5 l-5 5 l-5 -5 z", mx, my-5), "seen"})
		down = max(my+9, down+labelH)
		p.label(mx+9, min(down, unitsB-3), "start", m.What+" "+m.At.In(loc).Format(plotFormTick))
	}
	return p
}

func (p *plot) label(x, y float64, anchor, words string) {
	p.Labels = append(p.Labels, plotLabel{x, y, anchor, words})
}

// tickStep is the first of steps that is at least want, else the last.
func tickStep(want float64, steps ...float64) float64 {
	for _, s := range steps {
		if s >= want {
			return s
		}
	}
	return steps[len(steps)-1]
}
