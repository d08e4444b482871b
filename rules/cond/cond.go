package cond

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/water"
)

// Truth is what a condition says.
type Truth uint8

// The three values, in the order in which or takes the greatest and and the least.
const (
	No Truth = iota
	Unknown
	Yes
)

func (t Truth) String() string {
	switch t {
	case No:
		return "no"
	case Unknown:
		return "unknown"
	case Yes:
		return "yes"
	}
	return fmt.Sprintf("truth(%d)", uint8(t))
}

// Of is the truth of a plain yes or no.
func Of(yes bool) Truth {
	if yes {
		return Yes
	}
	return No
}

// Not turns yes and no round and leaves unknown alone.
func (t Truth) Not() Truth { return Yes - t }

// Type is what the value of a node is.
type Type uint8

// The types. Each amount is in the base unit of its dimension.
const (
	Bool        Type = iota + 1 // true, false or not known
	Number                      // without a unit
	Temperature                 // degC on the scale
	Difference                  // of two temperatures, degC apart
	Flow                        // L/min
	Oxygen                      // mg/L
	Saturation                  // percent of air saturation
	Volume                      // L
	Contact                     // a switch, to be asked whether it is closed
)

// Quantity is the type of what a probe reads.
func Quantity(q reading.Quantity) Type {
	switch q {
	case reading.Temperature:
		return Temperature
	case reading.Flow:
		return Flow
	case reading.Oxygen:
		return Oxygen
	case reading.Saturation:
		return Saturation
	case reading.Contact:
		return Contact
	default:
		return 0
	}
}

// Op is what a node does with its arguments.
type Op uint8

// The operations. Those of several arguments take at least two.
const (
	Const  Op = iota + 1 // Value
	Truthy               // Value is 1 for true, 0 for false

	Read   // the newest reading of Probe
	Silent // whether Probe has been silent for too long to be believed
	Closed // whether the contact Probe is closed
	// Over the readings of Probe within Over before its newest one, that one
	// included; unknown until they span half of it.
	MeanOver
	MinOver
	MaxOver
	MedianOver
	ChangeOver // the newest less the oldest
	StdevOver  // sample standard deviation

	Add
	Sub
	Mul
	Div
	Neg
	Abs
	Min
	Max
	Mean
	Median

	SaturationOf // oxygen, temperature
	OxygenAt     // saturation, temperature
	Turnover     // flow, volume: changes of water an hour

	Less
	LessEqual
	Greater
	GreaterEqual
	Same // of two truths

	And
	Or
	Not
	AtLeast // Value of Args are true
	Choose  // if, then, else
)

// Node is one checked operation. Args are of the types its Op needs.
type Node struct {
	Op    Op
	Type  Type
	Value float64 // Const, Truthy, AtLeast
	Probe reading.ProbeID
	Over  time.Duration
	Args  []*Node
	// Name is how words call the value, "flow", "spring flow"; "" for what is
	// not to be shown.
	Name string
}

// Env is where a compiled condition finds the water.
type Env interface {
	// Newest is the newest reading of a probe; it is not ok while that is not to
	// be believed.
	Newest(reading.ProbeID) func(now time.Time) (value float64, ok bool)
	// Contact is what a contact said last: that is so until it says otherwise.
	Contact(reading.ProbeID) func(now time.Time) (value float64, ok bool)
	// Silent reports whether a probe has said nothing for too long.
	Silent(reading.ProbeID) func(now time.Time) bool
	// Window is kept up by whoever owns the probe, with each reading before it is
	// judged.
	Window(id reading.ProbeID, over time.Duration) *Window
	// Pressure is the barometric pressure at the site.
	Pressure() measure.PressureHPa
}

// Judge is a compiled truth, number a compiled number.
type (
	Judge  func(now time.Time) Truth
	number func(now time.Time) (float64, bool)
)

// Shown is one value that a condition goes by, for words.
type Shown struct {
	Name string
	Type Type
	// Value is in the base unit; it is not ok while it is not known.
	Value func(now time.Time) (value float64, ok bool)
	// Limits are the constants it is compared with, in order of writing.
	Limits []float64
	// Rate: a Turnover, an hour.
	Rate bool
	// Votes counts a vote instead of having a Value: how many are true, known,
	// there at all, and needed.
	Votes func(now time.Time) (yes, known, all, need int)
	// Silence says whether a probe is silent, instead of a Value.
	Silence func(now time.Time) bool
}

// Compile makes a judge of a tree whose type is Bool, and lists what it goes by.
func Compile(n *Node, env Env) (Judge, []Shown) {
	c := compiler{env: env}
	j := c.truth(n)
	return j, c.shown
}

// Each calls f for a node and all below it, in order of writing.
func (n *Node) Each(f func(*Node)) {
	if n == nil {
		return
	}
	f(n)
	for _, a := range n.Args {
		a.Each(f)
	}
}

// Probes lists the probes that trees go by, each once, in order of writing.
func Probes(trees ...*Node) []reading.ProbeID {
	var out []reading.ProbeID
	for _, n := range trees {
		n.Each(func(n *Node) {
			if n.Probe != "" && !slices.Contains(out, n.Probe) {
				out = append(out, n.Probe)
			}
		})
	}
	return out
}

type compiler struct {
	env   Env
	shown []Shown
}

// show notes a value for words, once by its name.
func (c *compiler) show(s Shown) {
	if s.Name == "" || slices.ContainsFunc(c.shown, func(o Shown) bool { return o.Name == s.Name }) {
		return
	}
	c.shown = append(c.shown, s)
}

// limit notes what a value is compared with.
func (c *compiler) limit(of, by *Node) {
	if of.Name == "" || by.Op != Const {
		return
	}
	for i := range c.shown {
		if s := &c.shown[i]; s.Name == of.Name && !slices.Contains(s.Limits, by.Value) {
			s.Limits = append(s.Limits, by.Value)
		}
	}
}

func (c *compiler) truth(n *Node) Judge {
	switch n.Op {
	case Truthy:
		t := Of(n.Value != 0)
		return func(time.Time) Truth { return t }
	case Silent:
		silent := c.env.Silent(n.Probe)
		c.show(Shown{Name: n.Name, Type: Bool, Silence: silent})
		return func(now time.Time) Truth { return Of(silent(now)) }
	case Closed:
		f := c.env.Contact(n.Probe)
		c.show(Shown{Name: n.Name, Type: Contact, Value: f})
		return func(now time.Time) Truth {
			v, ok := f(now)
			if !ok {
				return Unknown
			}
			return Of(v == reading.Closed)
		}
	case Less, LessEqual, Greater, GreaterEqual:
		return c.compare(n)
	case Same:
		a, b := c.truth(n.Args[0]), c.truth(n.Args[1])
		return func(now time.Time) Truth {
			x, y := a(now), b(now)
			if x == Unknown || y == Unknown {
				return Unknown
			}
			return Of(x == y)
		}
	case Not:
		a := c.truth(n.Args[0])
		return func(now time.Time) Truth { return a(now).Not() }
	case And:
		all := c.truths(n.Args)
		return func(now time.Time) Truth {
			t := Yes
			for _, j := range all {
				if t = min(t, j(now)); t == No {
					break
				}
			}
			return t
		}
	case Or:
		any := c.truths(n.Args)
		return func(now time.Time) Truth {
			t := No
			for _, j := range any {
				if t = max(t, j(now)); t == Yes {
					break
				}
			}
			return t
		}
	case AtLeast:
		return c.vote(n)
	case Choose:
		when, then, other := c.truth(n.Args[0]), c.truth(n.Args[1]), c.truth(n.Args[2])
		return func(now time.Time) Truth {
			switch when(now) {
			case Yes:
				return then(now)
			case No:
				return other(now)
			case Unknown:
			}
			if t := then(now); t == other(now) {
				return t // either way
			}
			return Unknown
		}
	default:
		panic(fmt.Sprintf("cond: operation %d is no truth", n.Op))
	}
}

func (c *compiler) truths(args []*Node) []Judge {
	out := make([]Judge, len(args))
	for i, a := range args {
		out[i] = c.truth(a)
	}
	return out
}

func (c *compiler) compare(n *Node) Judge {
	x, y := n.Args[0], n.Args[1]
	a, b := c.number(x), c.number(y)
	c.limit(x, y)
	c.limit(y, x)
	op := n.Op
	return func(now time.Time) Truth {
		v, ok := a(now)
		if !ok {
			return Unknown
		}
		w, ok := b(now)
		if !ok {
			return Unknown
		}
		switch op {
		case Less:
			return Of(v < w)
		case LessEqual:
			return Of(v <= w)
		case Greater:
			return Of(v > w)
		default:
			return Of(v >= w)
		}
	}
}

// vote judges whether enough members are true. One that is unknown counts
// neither way: it is decided only when the others decide it.
func (c *compiler) vote(n *Node) Judge {
	at := len(c.shown)
	c.show(Shown{Name: n.Name, Type: Bool})
	all, need := c.truths(n.Args), int(n.Value)
	count := func(now time.Time) (yes, known, of, needed int) {
		for _, j := range all {
			switch j(now) {
			case Yes:
				yes++
				known++
			case No:
				known++
			case Unknown:
			}
		}
		return yes, known, len(all), need
	}
	if at < len(c.shown) && c.shown[at].Name == n.Name {
		c.shown[at].Votes = count
	}
	return func(now time.Time) Truth {
		yes, known, of, _ := count(now)
		switch {
		case yes >= need:
			return Yes
		case yes+of-known < need:
			return No
		}
		return Unknown
	}
}

// known is a number unless it is none.
func known(v float64) (float64, bool) { return v, !math.IsNaN(v) }

func (c *compiler) number(n *Node) number {
	switch n.Op {
	case Const:
		v := n.Value
		return func(time.Time) (float64, bool) { return v, true }
	case Read:
		f := c.env.Newest(n.Probe)
		c.show(Shown{Name: n.Name, Type: n.Type, Value: f})
		return f
	case MeanOver, MinOver, MaxOver, MedianOver, ChangeOver, StdevOver:
		f := c.window(n)
		c.show(Shown{Name: n.Name, Type: n.Type, Value: f})
		return f
	case Add, Sub, Mul, Div:
		return arithmetic(n.Op, c.number(n.Args[0]), c.number(n.Args[1]))
	case Neg, Abs:
		a, abs := c.number(n.Args[0]), n.Op == Abs
		return func(now time.Time) (float64, bool) {
			v, ok := a(now)
			if abs {
				return math.Abs(v), ok
			}
			return -v, ok
		}
	case Min, Max, Mean, Median:
		return c.several(n)
	case SaturationOf, OxygenAt, Turnover:
		return c.trade(n)
	case Choose:
		when, then, other := c.truth(n.Args[0]), c.number(n.Args[1]), c.number(n.Args[2])
		return func(now time.Time) (float64, bool) {
			switch when(now) {
			case Yes:
				return then(now)
			case No:
				return other(now)
			case Unknown:
			}
			a, ok := then(now)
			b, also := other(now)
			return a, ok && also && a == b
		}
	default:
		panic(fmt.Sprintf("cond: operation %d is no number", n.Op))
	}
}

func arithmetic(op Op, a, b number) number {
	return func(now time.Time) (float64, bool) {
		v, ok := a(now)
		if !ok {
			return 0, false
		}
		w, ok := b(now)
		if !ok {
			return 0, false
		}
		switch op {
		case Add:
			return known(v + w)
		case Sub:
			return known(v - w)
		case Mul:
			return known(v * w)
		default:
			if w == 0 {
				w = 0 // not the zero below zero
			}
			return known(v / w)
		}
	}
}

// window looks at a probe's recent readings while its newest one is believed.
func (c *compiler) window(n *Node) number {
	newest, w := c.env.Newest(n.Probe), c.env.Window(n.Probe, n.Over)
	var of func(*Window) float64
	switch n.Op {
	case MeanOver:
		of = (*Window).Mean
	case MinOver:
		of = (*Window).Min
	case MaxOver:
		of = (*Window).Max
	case ChangeOver:
		of = (*Window).Change
	case StdevOver:
		of = (*Window).Stdev
	default:
		w.KeepMedian()
		of = (*Window).Median
	}
	return func(now time.Time) (float64, bool) {
		if _, ok := newest(now); !ok || !w.Ready() {
			return 0, false
		}
		return of(w), true
	}
}

func (c *compiler) several(n *Node) number {
	all := make([]number, len(n.Args))
	for i, a := range n.Args {
		all[i] = c.number(a)
	}
	op, kept := n.Op, make([]float64, len(all)) // the engine judges one thing at a time
	return func(now time.Time) (float64, bool) {
		for i, f := range all {
			v, ok := f(now)
			if !ok {
				return 0, false
			}
			kept[i] = v
		}
		switch op {
		case Min:
			return slices.Min(kept), true
		case Max:
			return slices.Max(kept), true
		case Mean:
			sum := 0.0
			for _, v := range kept {
				sum += v
			}
			return known(sum / float64(len(kept)))
		default:
			slices.SortFunc(kept, cmp.Compare[float64])
			i := len(kept) / 2
			if len(kept)%2 == 1 {
				return kept[i], true
			}
			return known((kept[i-1] + kept[i]) / 2)
		}
	}
}

// trade is the arithmetic of the hatchery. Oxygen and saturation follow Benson
// and Krause at the site's mean pressure, see package water.
func (c *compiler) trade(n *Node) number {
	at := len(c.shown)
	c.show(Shown{Name: n.Name, Type: n.Type, Rate: n.Op == Turnover})
	a, b := c.number(n.Args[0]), c.number(n.Args[1])
	op, pressure := n.Op, c.env.Pressure()
	f := func(now time.Time) (float64, bool) {
		v, ok := a(now)
		if !ok {
			return 0, false
		}
		w, ok := b(now)
		if !ok {
			return 0, false
		}
		switch op {
		case SaturationOf:
			s, err := water.PercentSaturation(measure.OxygenMgL(v), inDomain(w), pressure)
			return float64(s), err == nil
		case OxygenAt:
			o, err := water.FromPercent(measure.Percent(v), inDomain(w), pressure)
			return float64(o), err == nil
		default:
			return known(v * 60 / w) // L/min over L
		}
	}
	if at < len(c.shown) && c.shown[at].Name == n.Name {
		c.shown[at].Value = f
	}
	return f
}

// inDomain is a temperature that the oxygen equations take: water a little below
// freezing, as probes read it in slush, is taken as freezing, for an oxygen alarm
// must not go blind in the cold.
func inDomain(t float64) measure.TempC {
	if t < float64(water.MinTempC) && t > -2 {
		return water.MinTempC
	}
	return measure.TempC(t)
}
