package hclread

import (
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"

	"weirkeeper/rules/measure"
)

// value evaluates an attribute that must be constant and not null.
func (b *Body) value(name string) (cty.Value, *hclsyntax.Attribute, bool) {
	if !b.Has(name) {
		return cty.NilVal, nil, false
	}
	a := b.body.Attributes[name]
	if b.broken(a.SrcRange) {
		return cty.NilVal, a, false
	}
	v, ok := b.constant(name, a.Expr)
	return v, a, ok
}

func (b *Body) constant(name string, e hclsyntax.Expression) (cty.Value, bool) {
	if t, ok := e.(*hclsyntax.ScopeTraversalExpr); ok && len(t.Traversal) == 1 {
		b.Fault(e.Range(), "Quotes missing", fmt.Sprintf("Words stand in quotes: write %q instead of %s.", t.Traversal.RootName(), t.Traversal.RootName()))
		return cty.NilVal, false
	}
	v, diags := e.Value(nil)
	if diags.HasErrors() || !v.IsWhollyKnown() || v.IsNull() {
		b.Fault(e.Range(), "Not a plain value", fmt.Sprintf("Write the value of %s itself, such as a number or text in quotes. Other names, functions and ${...} are not worked out in this file.", name))
		return cty.NilVal, false
	}
	return v, true
}

// text takes a string out of a value; example shows how to write one.
func (b *Body) text(name string, v cty.Value, rng hcl.Range) (string, bool) {
	switch {
	case v.Type() == cty.String:
		return v.AsString(), true
	case v.Type() == cty.Number:
		b.Fault(rng, "Text expected", fmt.Sprintf("%s is text and stands in quotes: write %q.", name, number(v)))
	default:
		b.Fault(rng, "Text expected", fmt.Sprintf("%s is one piece of text: write it in one pair of quotes.", name))
	}
	return "", false
}

func number(v cty.Value) string {
	f, _ := v.AsBigFloat().Float64()
	return strconv.FormatFloat(f, 'f', -1, 64)
}

// Text reads a string; it may be empty.
func (b *Body) Text(name string) (string, bool) {
	v, a, ok := b.value(name)
	if !ok {
		return "", false
	}
	return b.text(name, v, a.Expr.Range())
}

// Bool reads true or false.
func (b *Body) Bool(name string) (bool, bool) {
	v, a, ok := b.value(name)
	if !ok {
		return false, false
	}
	if v.Type() != cty.Bool {
		b.Fault(a.Expr.Range(), "True or false expected", fmt.Sprintf("Write %s = true or %s = false, without quotes.", name, name))
		return false, false
	}
	return v.True(), true
}

// Number reads a number without a unit, low <= number <= high.
func (b *Body) Number(name string, low, high float64) (float64, bool) {
	v, a, ok := b.value(name)
	if !ok {
		return 0, false
	}
	span := fmt.Sprintf("Write %s as a number from %s to %s, without quotes and unit.", name, plain(low), plain(high))
	if v.Type() != cty.Number {
		b.Fault(a.Expr.Range(), "Number expected", span)
		return 0, false
	}
	f, _ := v.AsBigFloat().Float64()
	if f < low || f > high {
		b.Fault(a.Expr.Range(), "Number out of sense", span)
		return 0, false
	}
	return f, true
}

func plain(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// Int reads a whole number without a unit, low <= number <= high.
func (b *Body) Int(name string, low, high int) (int, bool) {
	v, a, ok := b.value(name)
	if !ok {
		return 0, false
	}
	span := fmt.Sprintf("Write %s as a whole number from %d to %d, without quotes.", name, low, high)
	if v.Type() != cty.Number {
		b.Fault(a.Expr.Range(), "Whole number expected", span)
		return 0, false
	}
	n, acc := v.AsBigFloat().Int64()
	if acc != big.Exact || n < int64(low) || n > int64(high) {
		b.Fault(a.Expr.Range(), "Number out of sense", span)
		return 0, false
	}
	return int(n), true
}

// Amount reads a number with its unit, "28 L/min", of one of the dimensions. A
// bare number is a fault: a keeper who writes 30 may mean gallons.
func (b *Body) Amount(name string, dims ...measure.Dimension) (measure.Amount, bool) {
	v, a, ok := b.value(name)
	if !ok {
		return measure.Amount{}, false
	}
	return b.amount(name, v, a.Expr.Range(), dims)
}

// Unit reads the name of a unit of one of the dimensions.
func (b *Body) Unit(name string, dims ...measure.Dimension) (measure.Unit, bool) {
	s, ok := b.Text(name)
	if !ok {
		return measure.Unit{}, false
	}
	kind, units := unitsOf(dims)
	u, err := measure.ParseUnit(s)
	switch {
	case err != nil:
		b.Fault(b.Rng(name), "Unknown unit", fmt.Sprintf("%s Units of %s: %s.", sentence(err.Error()), kind, units))
	case !slices.Contains(dims, u.Dimension()):
		b.Fault(b.Rng(name), "Wrong kind of unit", fmt.Sprintf("%s is a unit of %s, but %s is one of %s. Write %s.", u, u.Dimension(), name, kind, units))
	default:
		return u, true
	}
	return measure.Unit{}, false
}

// unitsOf names dimensions and their units.
func unitsOf(dims []measure.Dimension) (kind, units string) {
	var kinds, names []string
	for _, d := range dims {
		kinds = append(kinds, d.String())
		names = append(names, d.UnitNames()...)
	}
	return strings.Join(kinds, " or "), strings.Join(names, ", ")
}

// AmountRange reads a list of two amounts, low <= high.
func (b *Body) AmountRange(name string, dims ...measure.Dimension) (low, high measure.Amount, ok bool) {
	v, a, ok := b.value(name)
	if !ok {
		return low, high, false
	}
	rng := a.Expr.Range()
	remedy := fmt.Sprintf(`Write the lowest and the highest: %s = ["200 %s", "240 %s"].`, name, dims[0].Base(), dims[0].Base())
	items, rngs, ok := elements(v, a.Expr)
	if !ok || len(items) != 2 {
		b.Fault(rng, "Two amounts expected", remedy)
		return low, high, false
	}
	low, lowOK := b.amount(name, items[0], rngs[0], dims)
	high, highOK := b.amount(name, items[1], rngs[1], dims)
	if !lowOK || !highOK {
		return low, high, false
	}
	if low.Unit.Dimension() != high.Unit.Dimension() || low.Base() > high.Base() {
		b.Fault(rng, "Wrong order", remedy)
		return low, high, false
	}
	return low, high, true
}

func (b *Body) amount(name string, v cty.Value, rng hcl.Range, dims []measure.Dimension) (measure.Amount, bool) {
	kind, units := unitsOf(dims)
	example := func(v float64) string {
		return strconv.Quote(measure.Amount{Value: v, Unit: dims[0].Base()}.String())
	}
	noUnit := func(v float64) {
		b.Fault(rng, "Unit missing", fmt.Sprintf("A number needs its unit: write %s, if that is what you mean. Units of %s: %s.", example(v), kind, units))
	}
	if v.Type() == cty.Number {
		f, _ := v.AsBigFloat().Float64()
		noUnit(f)
		return measure.Amount{}, false
	}
	if v.Type() != cty.String {
		b.Fault(rng, "Amount expected", fmt.Sprintf("%s is one number with its unit, in quotes: write it like %s.", name, example(10)))
		return measure.Amount{}, false
	}
	got, err := measure.Parse(v.AsString())
	var unknown *measure.UnknownUnitError
	switch {
	case errors.Is(err, measure.ErrNoUnit):
		noUnit(got.Value)
	case errors.As(err, &unknown):
		b.Fault(rng, "Unknown unit", fmt.Sprintf("%s Units of %s: %s.", sentence(unknown.Error()), kind, units))
	case err != nil:
		b.Fault(rng, "Not an amount", fmt.Sprintf("%s Write a number and its unit, like %s.", sentence(err.Error()), example(10)))
	case !slices.Contains(dims, got.Unit.Dimension()):
		b.Fault(rng, "Wrong kind of unit", fmt.Sprintf("%s is %s, but %s is %s. Write it in %s.", got, got.Unit.Dimension(), name, kind, units))
	default:
		return got, true
	}
	return measure.Amount{}, false
}

// maxDuration keeps durations far from overflow.
const maxDuration = 100 * 365 * 24 * time.Hour

// Duration reads a time of one number and unit, "90 s", "5 min", "24 h",
// "30 d"; from 0 to 100 years.
func (b *Body) Duration(name string) (time.Duration, bool) {
	a, ok := b.Amount(name, measure.Time)
	if !ok {
		return 0, false
	}
	if a.Value < 0 || a.Base() > maxDuration.Seconds() {
		b.Fault(b.Rng(name), "Time out of sense", fmt.Sprintf("%s is how long something takes: write it between \"0 s\" and \"36500 d\".", name))
		return 0, false
	}
	return a.Duration(), true
}

// Choice reads one of the allowed words.
func (b *Body) Choice(name string, allowed []string) (string, bool) {
	s, ok := b.Text(name)
	if !ok {
		return "", false
	}
	if !slices.Contains(allowed, s) {
		b.Add(Unknown(b.Rng(name), name, s, allowed))
		return "", false
	}
	return s, true
}

// Name is one name in a list and its place.
type Name struct {
	Value string
	Range hcl.Range
}

// Names reads a list of strings; a single string is a list of one. Faulty
// entries, and second ones of a name, are reported and left out; ok means that
// there was none.
func (b *Body) Names(name string) ([]Name, bool) {
	v, a, ok := b.value(name)
	if !ok {
		return nil, false
	}
	items, rngs, isList := elements(v, a.Expr)
	if !isList {
		items, rngs = []cty.Value{v}, []hcl.Range{a.Expr.Range()}
	}
	var out []Name
	ok = true
	for i, it := range items {
		s, isText := b.text(name, it, rngs[i])
		if isText && strings.TrimSpace(s) == "" {
			b.Fault(rngs[i], "Empty name", fmt.Sprintf("Write a name between the quotes, or delete this entry of %s.", name))
			isText = false
		}
		if slices.ContainsFunc(out, func(o Name) bool { return o.Value == s }) {
			b.Fault(rngs[i], "Named twice", fmt.Sprintf("%q is already in this list: delete this entry.", s))
			isText = false
		}
		if !isText {
			ok = false
			continue
		}
		out = append(out, Name{Value: s, Range: rngs[i]})
	}
	return out, ok
}

// Texts reads a list of pieces of text, in which one may come again and may be
// empty; a single string is a list of one.
func (b *Body) Texts(name string) ([]string, bool) {
	v, a, ok := b.value(name)
	if !ok {
		return nil, false
	}
	items, rngs, isList := elements(v, a.Expr)
	if !isList {
		items, rngs = []cty.Value{v}, []hcl.Range{a.Expr.Range()}
	}
	var out []string
	for i, it := range items {
		s, isText := b.text(name, it, rngs[i])
		ok = ok && isText
		out = append(out, s)
	}
	return out, ok
}

// KnownNames reads Names and reports those that are not known things.
func (b *Body) KnownNames(name, kindOfThing string, known []string) ([]Name, bool) {
	all, ok := b.Names(name)
	var out []Name
	for _, n := range all {
		if !slices.Contains(known, n.Value) {
			b.Add(Unknown(n.Range, kindOfThing, n.Value, known))
			ok = false
			continue
		}
		out = append(out, n)
	}
	return out, ok
}

// elements takes a list apart, with the place of each entry where it has one.
func elements(v cty.Value, e hclsyntax.Expression) ([]cty.Value, []hcl.Range, bool) {
	if !v.Type().IsTupleType() {
		return nil, nil, false
	}
	items := v.AsValueSlice()
	for i, it := range items {
		if it.IsNull() {
			items[i] = cty.EmptyTupleVal // no text and no number: a fault wherever it stands
		}
	}
	rngs := make([]hcl.Range, len(items))
	cons, ok := e.(*hclsyntax.TupleConsExpr)
	for i := range items {
		if ok && i < len(cons.Exprs) {
			rngs[i] = cons.Exprs[i].Range()
		} else {
			rngs[i] = e.Range()
		}
	}
	return items, rngs, true
}

// momentLayouts are the ways to write a local time.
var momentLayouts = []string{"2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04"}

// Moment reads a date and time, "2026-10-14 09:30" in the given zone, or
// RFC 3339 with its own. The result is UTC.
func (b *Body) Moment(name string, loc *time.Location) (time.Time, bool) {
	s, ok := b.Text(name)
	if !ok {
		return time.Time{}, false
	}
	for _, layout := range momentLayouts {
		if t, err := time.ParseInLocation(layout, s, loc); err == nil {
			return t.UTC(), true
		}
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t.UTC(), true
	}
	b.Fault(b.Rng(name), "Not a date and time", fmt.Sprintf("%s is a day and an hour: write it like \"2026-10-14 09:30\".", name))
	return time.Time{}, false
}

// HourOfDay reads one hour of the day, "07:00", as minutes after midnight.
func (b *Body) HourOfDay(name string) (int, bool) {
	s, ok := b.Text(name)
	if !ok {
		return 0, false
	}
	return b.hour(name, s, b.Rng(name))
}

// HoursOfDay reads a list of hours (or a single one) as minutes after midnight,
// ascending, each once.
func (b *Body) HoursOfDay(name string) ([]int, bool) {
	names, ok := b.Names(name)
	var out []int
	for _, n := range names {
		m, good := b.hour(name, n.Value, n.Range)
		if !good {
			ok = false
			continue
		}
		out = append(out, m)
	}
	slices.Sort(out)
	return out, ok
}

func (b *Body) hour(name, s string, rng hcl.Range) (int, bool) {
	t, err := time.Parse("15:04", s)
	if err != nil {
		b.Fault(rng, "Not an hour of the day", fmt.Sprintf("%s is an hour from \"00:00\" to \"23:59\": write it like \"07:00\".", name))
		return 0, false
	}
	return t.Hour()*60 + t.Minute(), true
}
