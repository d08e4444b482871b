package page

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// drawing is a plot in the words of SVG: a panel for each quantity over the same
// time, and below them what happened. Lines are told apart by their dashes, so
// that it may be printed in grey.
type drawing struct {
	W, H   int
	Words  string // what it is, for who cannot see it
	Rects  []drawnRect
	Lines  []drawnLine
	Paths  []drawnPath
	Labels []drawnLabel
}

type (
	drawnRect struct {
		X, Y, W, H float64
		Class      string
	}
	drawnLine struct {
		X1, Y1, X2, Y2 float64
		Class          string
	}
	drawnPath  struct{ D, Class string }
	drawnLabel struct {
		X, Y          float64
		Anchor, Class string
		Words         string
	}
)

// Where things are in the drawing.
const (
	drawnW               = 720
	drawnL, drawnR       = 64.0, 704.0 // ends of the time axis
	drawnPanel           = 170.0
	drawnSwitch          = 44.0 // height of a contact's panel
	drawnText, drawnLane = 17.0, 18.0
	drawnSpace           = 16.0
	ticksMost            = 8
	stepsMost            = 5
)

// panel is the lines of one quantity.
type panel struct {
	Quantity  reading.Quantity
	Unit      measure.Unit
	Low, High float64 // of the scale, in Unit
	Step      float64
	Of        []int // places in past.Lines
}

// panels sorts the lines by quantity, and finds the scale of each.
func (p *past) panels() (all []panel) {
	for i := range p.Lines {
		l := &p.Lines[i]
		k := 0
		for k < len(all) && all[k].Quantity != l.Probe.Quantity {
			k++
		}
		if k == len(all) {
			all = append(all, panel{Quantity: l.Probe.Quantity, Unit: l.Unit})
		}
		all[k].Of = append(all[k].Of, i)
	}
	for k := range all {
		all[k].scale(p.Lines)
	}
	return all
}

// leastSpread is how much of its scale a panel shows at least, as a share of the
// greatest value: so that the noise of a quiet probe does not fill it.
const leastSpread = 0.1

func (pn *panel) scale(lines []line) {
	if pn.Quantity == reading.Contact {
		pn.Low, pn.High, pn.Step = reading.Open, reading.Closed, 1
		return
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, i := range pn.Of {
		if l := &lines[i]; l.Count > 0 {
			low, high = min(low, l.shown(l.Least)), max(high, l.shown(l.Most))
		}
	}
	if low > high {
		low, high = 0, 1
	}
	least := max(leastSpread*max(math.Abs(low), math.Abs(high)), 0.5)
	// Setpoints near enough not to flatten the lines.
	reach := 2 * max(high-low, least)
	from, to := low-reach, high+reach
	for _, i := range pn.Of {
		for _, s := range lines[i].Setpoints {
			if v := lines[i].shown(s.Value); v >= from && v <= to {
				low, high = min(low, v), max(high, v)
			}
		}
	}
	if rest := least - (high - low); rest > 0 {
		low, high = low-rest/2, high+rest/2
	}
	pn.Step = niceStep((high - low) / stepsMost)
	pn.Low, pn.High = pn.Step*math.Floor(low/pn.Step), pn.Step*math.Ceil(high/pn.Step)
}

// niceStep is the least of 1, 2 and 5 times a power of ten that is at least want.
func niceStep(want float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(want)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= want*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// tick is a time named on the axis.
type tick struct {
	At    time.Time
	Words string
}

// timeTicks finds at most most round local times in a range. Days begin at local
// midnight whatever the clocks do.
func timeTicks(from, to time.Time, loc *time.Location, most int, lang Language) (all []tick) {
	length := to.Sub(from)
	for _, step := range []time.Duration{time.Minute, 5 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour} {
		if length > step*time.Duration(most) {
			continue
		}
		start := from.In(loc)
		for day := time.Date(start.Year(), start.Month(), start.Day(), 0, 0, 0, 0, loc); day.Before(to); day = day.AddDate(0, 0, 1) {
			next := day.AddDate(0, 0, 1)
			for minute := 0; minute < 24*60; minute += int(step / time.Minute) {
				at := time.Date(day.Year(), day.Month(), day.Day(), 0, minute, 0, 0, loc)
				// An hour that the clocks skip is the next one.
				if at.Before(from) || at.After(to) || !at.Before(next) || len(all) > 0 && !at.After(all[len(all)-1].At) {
					continue
				}
				words := at.Format("15:04")
				if minute == 0 {
					words = lang.dayMonth(at)
				}
				all = append(all, tick{at, words})
			}
		}
		return all
	}
	start := from.In(loc)
	for _, days := range []int{1, 2, 7, 14} {
		if length > time.Duration(days*most)*24*time.Hour {
			continue
		}
		// From a fixed Monday on, so that panning does not move them.
		first := time.Date(2001, time.January, 1, 0, 0, 0, 0, loc)
		n := int(math.Round(time.Date(start.Year(), start.Month(), start.Day(), 12, 0, 0, 0, time.UTC).Sub(time.Date(2001, time.January, 1, 12, 0, 0, 0, time.UTC)).Hours() / 24))
		n -= ((n % days) + days) % days
		for day := first.AddDate(0, 0, n); !day.After(to); n += days {
			if day = first.AddDate(0, 0, n); !day.Before(from) && !day.After(to) {
				all = append(all, tick{day, lang.dayMonth(day)})
			}
		}
		return all
	}
	months := 1
	for _, m := range []int{1, 2, 3, 6, 12, 24, 60} {
		if months = m; length <= time.Duration(m*most)*30*24*time.Hour {
			break
		}
	}
	year, month := start.Year(), (int(start.Month())-1)/months*months+1
	if months > 12 {
		year, month = year-year%(months/12), 1
	}
	for at := time.Date(year, time.Month(month), 1, 0, 0, 0, 0, loc); !at.After(to); at = at.AddDate(0, months, 0) {
		if at.Before(from) {
			continue
		}
		words := lang.month(at)
		if at.Month() == time.January || len(all) == 0 && months < 12 {
			words += at.Format(" 2006")
		}
		if months >= 12 {
			words = at.Format("2006")
		}
		all = append(all, tick{at, words})
	}
	return all
}

// draw makes the drawing of a range.
func (p *past) draw(s *site.Site, lang Language) *drawing {
	d := &drawing{W: drawnW, Words: lang.Text("history.drawn", lang.rangeWords(p.From, p.To, s.Location))}
	x := func(t time.Time) float64 {
		return drawnL + (drawnR-drawnL)*float64(t.Sub(p.From))/float64(p.To.Sub(p.From))
	}
	ticks := timeTicks(p.From, p.To, s.Location, ticksMost, lang)
	y := 0.0
	top := y
	for k, pn := range p.panels() {
		if k > 0 {
			y += drawnSpace
		}
		y += drawnText
		unit := ""
		if !pn.Unit.IsZero() {
			unit = ", " + pn.Unit.String()
		}
		d.label(0, y-4, "start", "head", lang.Text("history.quantity."+pn.Quantity.String())+unit)
		for n, i := range pn.Of {
			y += drawnText
			d.Lines = append(d.Lines, drawnLine{drawnL, y - 8, drawnL + 36, y - 8, fmt.Sprintf("mean mean%d", n)})
			d.label(drawnL+44, y-4, "start", "", string(p.Lines[i].Probe.ID))
		}
		y += 6
		height := drawnPanel
		if pn.Quantity == reading.Contact {
			height = drawnSwitch
		}
		y1, y2 := y, y+height
		ty := func(v float64) float64 { return round1(y2 - height*(v-pn.Low)/(pn.High-pn.Low)) }
		for _, m := range p.Marks {
			if m.Lane == alarmLane && slices.ContainsFunc(pn.Of, func(i int) bool { return p.Lines[i].Probe.ID == m.Probe }) {
				d.Rects = append(d.Rects, drawnRect{round1(x(m.From)), y1, max(1, round1(x(m.To)-x(m.From))), height, "during"})
			}
		}
		for v, n := pn.Low, 0; v <= pn.High+pn.Step/2; n, v = n+1, pn.Low+float64(n+1)*pn.Step {
			d.Lines = append(d.Lines, drawnLine{drawnL, ty(v), drawnR, ty(v), "grid"})
			words := strconv.FormatFloat(v, 'f', max(0, -int(math.Floor(math.Log10(pn.Step)+1e-9))), 64)
			if pn.Quantity == reading.Contact {
				words = lang.Text("history.contact." + reading.ContactWord(v))
			}
			d.label(drawnL-6, ty(v)+4, "end", "", words)
		}
		for _, t := range ticks {
			d.Lines = append(d.Lines, drawnLine{round1(x(t.At)), y1, round1(x(t.At)), y2, "grid"})
		}
		d.setpoints(p, &pn, ty, lang)
		for n, i := range pn.Of {
			p.Lines[i].draw(d, n, x, ty)
			if p.Lines[i].Count == 0 {
				d.label((drawnL+drawnR)/2, y1+22+float64(n)*drawnText, "middle", "", string(p.Lines[i].Probe.ID)+": "+lang.Text("history.nothing"))
			}
		}
		y = y2
	}
	y += drawnText
	for _, t := range ticks {
		d.Lines = append(d.Lines, drawnLine{round1(x(t.At)), y - drawnText, round1(x(t.At)), y - drawnText + 4, "axis"})
		if tx := x(t.At); tx > drawnR-16 {
			d.label(drawnR, y, "end", "", t.Words)
		} else {
			d.label(tx, y, "middle", "", t.Words)
		}
	}
	d.Lines = append(d.Lines, drawnLine{drawnL, y - drawnText, drawnR, y - drawnText, "axis"})
	if p.Now.Before(p.To) && p.Now.After(p.From) {
		d.Lines = append(d.Lines, drawnLine{round1(x(p.Now)), top + drawnText, round1(x(p.Now)), y - drawnText, "axis"})
	}
	y = d.lanes(p, x, y+8, lang)
	d.H = int(math.Ceil(y + 4))
	return d
}

// setpoints draws those of a panel, each value once.
func (d *drawing) setpoints(p *past, pn *panel, ty func(float64) float64, lang Language) {
	type value struct {
		v     float64
		least bool
	}
	seen := make(map[value]bool)
	for _, i := range pn.Of {
		for _, sp := range p.Lines[i].Setpoints {
			v := value{p.Lines[i].shown(sp.Value), sp.Least}
			if seen[v] || v.v < pn.Low || v.v > pn.High {
				continue
			}
			seen[v] = true
			d.Lines = append(d.Lines, drawnLine{drawnL, ty(v.v), drawnR, ty(v.v), "setpoint"})
			up := -4.0 // above the line, or below it where the right side is below
			if !sp.Least {
				up = 13
			}
			if ty(v.v)+up < ty(pn.High)+9 {
				up = 13
			}
			if ty(v.v)+up > ty(pn.Low)-2 {
				up = -4
			}
			d.label(drawnR-2, ty(v.v)+up, "end", "", setpointWords(lang, pn.Unit.Format(sp.Value), sp.Least))
		}
	}
}

func setpointWords(lang Language, amount string, least bool) string {
	if least {
		return lang.Text("history.least", amount)
	}
	return lang.Text("history.most", amount)
}

// draw draws the n-th line of a panel: what lay between least and greatest as a
// band, the mean as a line. A contact is a line of steps.
func (l *line) draw(d *drawing, n int, x func(time.Time) float64, y func(float64) float64) {
	var mean, upper strings.Builder
	var lower []string
	wide := false
	flush := func() {
		if wide {
			var band strings.Builder
			band.WriteString("M" + strings.TrimPrefix(upper.String(), " L"))
			for i := len(lower) - 1; i >= 0; i-- {
				band.WriteString(" L" + lower[i])
			}
			d.Paths = append(d.Paths, drawnPath{band.String() + "z", fmt.Sprintf("band band%d", n)})
		}
		upper.Reset()
		lower, wide = nil, false
	}
	contact := l.Probe.Quantity == reading.Contact
	before := 0.0
	alone := func(i int) bool { return l.Points[i].Break && (i+1 == len(l.Points) || l.Points[i+1].Break) }
	for i, b := range l.Points {
		if b.Break {
			flush()
		}
		px := x(b.At)
		v := l.shown(b.Mean)
		if contact {
			v = b.Last
		}
		switch {
		case alone(i):
			fmt.Fprintf(&mean, "M%.1f %.1fh.1", px, y(v))
		case b.Break:
			fmt.Fprintf(&mean, "M%.1f %.1f", px, y(v))
		case contact:
			if b.Min != b.Max && before == b.Last { // there and back in one bucket
				fmt.Fprintf(&mean, "H%.1fV%.1f", px, y(reading.Open+reading.Closed-b.Last))
			}
			fmt.Fprintf(&mean, "H%.1fV%.1f", px, y(v))
		default:
			fmt.Fprintf(&mean, "L%.1f %.1f", px, y(v))
		}
		before = b.Last
		if !contact {
			fmt.Fprintf(&upper, " L%.1f %.1f", px, y(l.shown(b.Max)))
			lower = append(lower, fmt.Sprintf("%.1f %.1f", px, y(l.shown(b.Min))))
			wide = wide || b.Max > b.Min
		}
	}
	flush()
	if mean.Len() > 0 {
		d.Paths = append(d.Paths, drawnPath{mean.String(), fmt.Sprintf("mean mean%d", n)})
	}
}

// lanes draws what happened below the axis, one row a kind: what would touch is
// drawn as one.
func (d *drawing) lanes(p *past, x func(time.Time) float64, y float64, lang Language) float64 {
	for l := range laneCount {
		end, any := math.Inf(-1), false
		for _, m := range p.Marks {
			if m.Lane != l {
				continue
			}
			if !any {
				any = true
				y += drawnLane
				d.label(0, y-4, "start", "", lang.Text("history.lane."+l.String()))
				d.Rects = append(d.Rects, drawnRect{drawnL, y - 8.5, drawnR - drawnL, 1, "ground"})
			}
			x1, x2 := round1(x(m.From)), round1(max(x(m.To), x(m.From)+3))
			if x1 < end {
				r := &d.Rects[len(d.Rects)-1]
				r.W = max(r.W, round1(x2-r.X))
			} else {
				d.Rects = append(d.Rects, drawnRect{x1, y - 14, round1(x2 - x1), 12, "lane " + l.String()})
			}
			end = max(end, x2+1)
		}
	}
	return y
}

func (d *drawing) label(x, y float64, anchor, class, words string) {
	d.Labels = append(d.Labels, drawnLabel{round1(x), round1(y), anchor, class, words})
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }
