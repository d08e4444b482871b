package lang

import (
	"math"

	"weirkeeper/rules/cond"
	"weirkeeper/rules/site"
)

// span is where a value can lie: a number from low to high, or a truth. It is
// never narrower than what can come, so that what it excludes cannot.
type span struct {
	low, high float64
	truth     cond.Truth // Unknown: either
	fixed     bool       // no reading enters it
}

func (s span) decided() bool { return s.truth != cond.Unknown }

var anything = span{low: math.Inf(-1), high: math.Inf(1), truth: cond.Unknown}

// reach is what can be read of a probe.
func reach(op cond.Op, pr *site.Probe) span {
	s := span{low: pr.Low, high: pr.High, truth: cond.Unknown}
	switch op {
	case cond.Silent, cond.Closed:
		return anything
	case cond.ChangeOver:
		s.low, s.high = pr.Low-pr.High, pr.High-pr.Low
	case cond.StdevOver:
		s.low, s.high = 0, pr.High-pr.Low
	default:
	}
	return s
}

// combine is the span of an operation.
func combine(n *cond.Node, in []span) span {
	out := span{truth: cond.Unknown, fixed: true}
	for _, s := range in {
		out.fixed = out.fixed && s.fixed
	}
	a := in[0]
	b := in[min(1, len(in)-1)]
	switch n.Op {
	case cond.Less:
		out.truth = below(a, b)
	case cond.Greater:
		out.truth = below(b, a)
	case cond.LessEqual:
		out.truth = below(b, a).Not()
	case cond.GreaterEqual:
		out.truth = below(a, b).Not()
	case cond.Not:
		out.truth = a.truth.Not()
	case cond.Same:
		if a.decided() && b.decided() {
			out.truth = cond.Of(a.truth == b.truth)
		}
	case cond.And:
		out.truth = cond.Yes
		for _, s := range in {
			out.truth = min(out.truth, s.truth)
		}
	case cond.Or:
		out.truth = cond.No
		for _, s := range in {
			out.truth = max(out.truth, s.truth)
		}
	case cond.AtLeast:
		yes, no := 0, 0
		for _, s := range in {
			switch s.truth {
			case cond.Yes:
				yes++
			case cond.No:
				no++
			case cond.Unknown:
			}
		}
		if need := int(n.Value); yes >= need {
			out.truth = cond.Yes
		} else if len(in)-no < need {
			out.truth = cond.No
		}
	case cond.Choose:
		then, other := in[1], in[2]
		switch {
		case a.truth == cond.Yes:
			then.fixed = out.fixed
			return then
		case a.truth == cond.No:
			other.fixed = out.fixed
			return other
		case n.Type == cond.Bool:
			if then.truth == other.truth {
				out.truth = then.truth
			}
		default:
			out.low, out.high = min(then.low, other.low), max(then.high, other.high)
		}
	case cond.Add:
		out.low, out.high = a.low+b.low, a.high+b.high
	case cond.Sub:
		out.low, out.high = a.low-b.high, a.high-b.low
	case cond.Neg:
		out.low, out.high = -a.high, -a.low
	case cond.Abs:
		out.low, out.high = max(a.low, -a.high, 0), max(-a.low, a.high)
	case cond.Mul:
		out.low, out.high = corners(a, b, func(x, y float64) float64 { return x * y })
	case cond.Div:
		if b.low <= 0 && b.high >= 0 {
			out.low, out.high = math.Inf(-1), math.Inf(1)
			break
		}
		out.low, out.high = corners(a, b, func(x, y float64) float64 { return x / y })
	case cond.Min, cond.Max, cond.Mean, cond.Median:
		out.low, out.high = a.low, a.high
		for _, s := range in[1:] {
			switch n.Op {
			case cond.Min:
				out.low, out.high = min(out.low, s.low), min(out.high, s.high)
			case cond.Max:
				out.low, out.high = max(out.low, s.low), max(out.high, s.high)
			default:
				out.low, out.high = min(out.low, s.low), max(out.high, s.high)
			}
		}
	case cond.SaturationOf, cond.OxygenAt, cond.Turnover:
		out.low, out.high = 0, math.Inf(1)
		if a.low < 0 {
			out.low = math.Inf(-1)
		}
	default:
		return anything
	}
	if math.IsNaN(out.low) || math.IsNaN(out.high) {
		out.low, out.high = math.Inf(-1), math.Inf(1)
	}
	return out
}

// below says whether a is less than b wherever they lie.
func below(a, b span) cond.Truth {
	switch {
	case a.high < b.low:
		return cond.Yes
	case a.low >= b.high:
		return cond.No
	}
	return cond.Unknown
}

func corners(a, b span, f func(x, y float64) float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, x := range []float64{a.low, a.high} {
		for _, y := range []float64{b.low, b.high} {
			v := f(x, y)
			if math.IsNaN(v) {
				return math.Inf(-1), math.Inf(1)
			}
			low, high = min(low, v), max(high, v)
		}
	}
	return low, high
}
