package lang

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"

	"weirkeeper/rules/cond"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Types of a literal whose surroundings decide what it is. "1 degC" is a
// temperature, or how far two are apart; "70%" is a share, a number, or a
// saturation. (Which of the two a temperature is matters: 50 degF is 10 degC, but
// 50 degF apart is 27.8 degC apart.)
const (
	degrees cond.Type = iota + 100
	percent
)

// Words for the parts of a unit that are not measured.
const (
	designFlow = "design_flow"
	volume     = "volume"
)

// maxLookBack bounds the windows, as that of the median of temperature_drift.
const maxLookBack = maxWindow

// checker finds the types of one expression. What it returns nil for it has
// reported.
type checker struct {
	*parser
	body *hclread.Block
}

// truth reads an attribute that must be true or false.
func (p *parser) truth(b *hclread.Block, attr string) (*term, bool) {
	e, ok := b.Expr(attr)
	if !ok {
		return nil, false
	}
	c := checker{p, b}
	t := c.infer(e)
	if t == nil {
		return nil, false
	}
	if t.kind == cond.Contact {
		c.notTrue(t, "in "+attr)
		return nil, false
	}
	if t.kind != cond.Bool {
		c.settle(t, 0)
		c.fault(t.rng, "Not a condition", "%s is %s, but %s must be true or false. Compare it: write %s = %s < %q.", c.source(t.rng), a(t.kind), attr, attr, c.source(t.rng), c.example(t.kind))
		return nil, false
	}
	return t, true
}

// fault reports a place inside an expression, where a line alone may not do.
func (c *checker) fault(at hcl.Range, summary, format string, args ...any) {
	c.body.Fault(at, summary, fmt.Sprintf("Column %d: ", at.Start.Column)+fmt.Sprintf(format, args...))
}

// source is what is written at a place, on one line.
func (p *parser) source(at hcl.Range) string {
	text := p.text[at.Filename]
	if !at.CanSliceBytes(text) {
		return "this"
	}
	return strings.Join(strings.Fields(string(at.SliceBytes(text))), " ")
}

// a names a type with its article.
func a(t cond.Type) string {
	switch t {
	case cond.Bool:
		return "true or false"
	case cond.Number:
		return "a number without a unit"
	case cond.Temperature, degrees:
		return "a temperature"
	case cond.Difference:
		return "a difference of temperatures"
	case cond.Flow:
		return "a flow"
	case cond.Oxygen:
		return "an amount of oxygen (mg/L)"
	case cond.Saturation:
		return "a saturation"
	case cond.Volume:
		return "a volume"
	case cond.Contact:
		return "a contact"
	case percent:
		return "a share"
	}
	return "nothing"
}

// example is an amount of a type as the keeper would write it.
func (p *parser) example(t cond.Type) string {
	show := p.site.Show
	in := func(v float64, u measure.Unit) string { return measure.Amount{Value: v, Unit: u}.String() }
	fahrenheit := show.Temperature == measure.DegF
	switch {
	case t == cond.Difference && fahrenheit:
		return in(2, show.Temperature)
	case t == cond.Difference:
		return in(1, show.Temperature)
	case t == cond.Temperature && fahrenheit:
		return in(52, show.Temperature)
	case t == cond.Temperature:
		return in(11, show.Temperature)
	case t == cond.Flow:
		return in(28, show.Flow)
	case t == cond.Oxygen:
		return in(6, show.Oxygen)
	case t == cond.Saturation:
		return in(75, measure.PercentSat)
	case t == cond.Volume:
		return in(300, measure.Litre)
	}
	return "70%"
}

// infer finds the type of an expression.
func (c *checker) infer(e hclsyntax.Expression) *term {
	switch e := e.(type) {
	case *hclsyntax.ParenthesesExpr:
		t := c.infer(e.Expression)
		if t != nil {
			t.rng = e.SrcRange
		}
		return t
	case *hclsyntax.LiteralValueExpr:
		return c.plain(e)
	case *hclsyntax.TemplateExpr:
		return c.amount(e)
	case *hclsyntax.ScopeTraversalExpr:
		return c.named(e)
	case *hclsyntax.BinaryOpExpr:
		return c.binary(e)
	case *hclsyntax.UnaryOpExpr:
		return c.unary(e)
	case *hclsyntax.ConditionalExpr:
		return c.choice(e)
	case *hclsyntax.FunctionCallExpr:
		return c.call(e)
	}
	c.fault(e.Range(), "Not understood here", `A condition is put together of readings, amounts in quotes, comparisons, + - * /, &&, ||, !, parentheses, a ? b : c and functions; names stand in plain quotes. Write it with these, such as unit["spring"].flow < "28 L/min".`)
	return nil
}

// plain is a bare number, true or false.
func (c *checker) plain(e *hclsyntax.LiteralValueExpr) *term {
	t := &term{rng: e.SrcRange}
	switch {
	case e.Val.IsNull():
	case e.Val.Type() == cty.Number:
		if v, _ := e.Val.AsBigFloat().Float64(); !math.IsInf(v, 0) {
			t.Op, t.Value = cond.Const, v
			return c.as(t, cond.Number)
		}
	case e.Val.Type() == cty.Bool:
		t.Op = cond.Truthy
		if e.Val.True() {
			t.Value = 1
		}
		return c.as(t, cond.Bool)
	}
	c.fault(e.SrcRange, "Not understood here", "%s is no amount. Write a reading, an amount in quotes such as \"28 L/min\", or a number.", c.source(e.SrcRange))
	return nil
}

func (c *checker) as(t *term, kind cond.Type) *term {
	t.kind, t.Type = kind, kind
	return t
}

// quoted is the text of a literal in quotes.
func quoted(e hclsyntax.Expression) (string, bool) {
	t, ok := e.(*hclsyntax.TemplateExpr)
	if !ok || !t.IsStringLiteral() {
		return "", false
	}
	v, diags := t.Value(nil)
	if diags.HasErrors() || v.IsNull() || v.Type() != cty.String {
		return "", false
	}
	return v.AsString(), true
}

// amount is an amount in quotes.
func (c *checker) amount(e *hclsyntax.TemplateExpr) *term {
	s, ok := quoted(e)
	if !ok {
		c.fault(e.SrcRange, "Not a plain value", "Write the amount itself in quotes, such as \"28 L/min\". ${...} and %%{...} are not worked out in this file.")
		return nil
	}
	t := &term{rng: e.SrcRange}
	t.Op = cond.Const
	var err error
	var unknown *measure.UnknownUnitError
	t.amount, err = measure.Parse(s)
	switch {
	case errors.Is(err, measure.ErrNoUnit):
		c.fault(e.SrcRange, "Unit missing", "%q has no unit. Write a number that has none without the quotes, and an amount with its unit, such as \"28 L/min\".", s)
		return nil
	case errors.As(err, &unknown):
		c.fault(e.SrcRange, "Unknown unit", "%s Write a unit of temperature, flow, oxygen, saturation or volume, such as \"28 L/min\".", sentence(unknown.Error()))
		return nil
	case err != nil:
		c.fault(e.SrcRange, "Not an amount", "%s Write a number and its unit, such as \"28 L/min\".", sentence(err.Error()))
		return nil
	}
	switch d := t.amount.Unit.Dimension(); {
	case d == measure.Temperature:
		return c.as(t, degrees)
	case d == measure.Flow:
		return c.as(t, cond.Flow)
	case d == measure.Oxygen:
		return c.as(t, cond.Oxygen)
	case d == measure.Volume:
		return c.as(t, cond.Volume)
	case d == measure.Saturation && strings.HasSuffix(strings.TrimSpace(s), "%"):
		return c.as(t, percent)
	case d == measure.Saturation:
		return c.as(t, cond.Saturation)
	case d == measure.Time:
		c.fault(e.SrcRange, "Time not expected", `A time stands in a function that looks back, such as mean_over(flow, "10 min"), and in lasting. Write it there.`)
	default:
		c.fault(e.SrcRange, "Wrong kind of unit", "%s is %s, which no probe measures. Write a temperature, flow, oxygen, saturation or volume.", t.amount, d)
	}
	return nil
}

// literal is the value of an amount whose type is settled.
func literal(t *term) float64 {
	switch t.Type {
	case cond.Difference:
		return t.amount.BaseDelta()
	case cond.Number:
		return t.amount.Value / 100
	default:
		return t.amount.Base()
	}
}

// fits reports whether a type can stand for another: itself, or what the
// surroundings make of a literal.
func fits(is, want cond.Type) bool {
	switch is {
	case degrees:
		return want == cond.Temperature || want == cond.Difference || want == degrees
	case percent:
		return want == cond.Number || want == cond.Saturation || want == percent
	default:
		return is == want
	}
}

func open(t cond.Type) bool { return t == degrees || t == percent }

func sentence(s string) string {
	if strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// settle gives a term whose type was open the type that its surroundings want; 0
// wants nothing.
func (c *checker) settle(t *term, want cond.Type) {
	if !open(t.kind) {
		return
	}
	if want == 0 || open(want) {
		want = cond.Temperature
		if t.kind == percent {
			want = cond.Number
		}
	}
	wasPercent := t.kind == percent
	c.as(t, want)
	if wasPercent || t.Op == cond.Const {
		return
	}
	// Of a sum, the first open part may be a temperature, the others are how far
	// from it. What is taken from a temperature leaves one, or tells how far it is.
	if t.Op != cond.Add && t.Op != cond.Sub {
		for _, a := range t.args {
			c.settle(a, want)
		}
		return
	}
	l, r := t.args[0], t.args[1]
	switch {
	case open(l.kind):
		c.settle(l, want)
		c.settle(r, cond.Difference)
	case t.Op == cond.Add:
		c.settle(r, want)
	case want == cond.Temperature:
		c.settle(r, cond.Difference)
	default:
		c.settle(r, cond.Temperature)
	}
}

// unify makes terms one type and gives it; it may be degrees. The index is of the
// first that does not go with the others, -1 for none.
func (c *checker) unify(all []*term) (cond.Type, int) {
	kind := all[0].kind
	for _, t := range all {
		if !open(t.kind) {
			kind = t.kind
			break
		}
	}
	for i, t := range all {
		if !fits(t.kind, kind) {
			return 0, i
		}
	}
	if kind == percent {
		kind = cond.Number
	}
	if kind == degrees {
		return kind, -1
	}
	for _, t := range all {
		c.settle(t, kind)
	}
	return kind, -1
}

// readings are the words for what is measured at a unit, in the order they are
// listed in faults.
func readings() []string {
	var out []string
	for _, q := range reading.Quantities() {
		if cond.Quantity(q) != 0 {
			out = append(out, q.String())
		}
	}
	return append(out, designFlow, volume)
}

// named is a reading, or what is stated of a unit.
func (c *checker) named(e *hclsyntax.ScopeTraversalExpr) *term {
	root := e.Traversal.RootName()
	switch {
	case root == "unit" || root == "probe":
		return c.elsewhere(e)
	case len(e.Traversal) == 1:
		return c.ofUnit(&term{rng: e.SrcRange, here: true}, root, e.SrcRange)
	case slices.Contains(readings(), root):
		c.fault(e.SrcRange, "Not understood here", "%s is the unit's own %s and has no parts. Write %s alone, or unit[\"spring\"].%s for another unit's.", root, root, root, root)
		return nil
	}
	c.fault(e.SrcRange, "Unknown name", "%s means nothing here. Write flow for the covered unit's own flow, unit[\"spring\"].flow for another's, or probe[\"name\"].", c.source(e.SrcRange))
	return nil
}

// ofUnit completes a term by the name of what is read of its unit.
func (c *checker) ofUnit(t *term, name string, at hcl.Range) *term {
	switch name {
	case designFlow:
		t.Op, t.what = cond.Const, name
		return c.as(t, cond.Flow)
	case volume:
		t.Op, t.what = cond.Const, name
		return c.as(t, cond.Volume)
	}
	for _, q := range reading.Quantities() {
		if kind := cond.Quantity(q); kind != 0 && q.String() == name {
			t.Op, t.quantity = cond.Read, q
			return c.as(t, kind)
		}
	}
	known := readings()
	if t.here {
		known = append(known, "unit", "probe")
	}
	c.body.Add(hclread.Unknown(at, "reading", name, known))
	return nil
}

// elsewhere is unit["spring"].flow or probe["spring flow"].
func (c *checker) elsewhere(e *hclsyntax.ScopeTraversalExpr) *term {
	steps := e.Traversal
	what := steps.RootName()
	wanted := 2
	if what == "unit" {
		wanted = 3
	}
	name, at := "", hcl.Range{}
	if len(steps) > 1 {
		if i, ok := steps[1].(hcl.TraverseIndex); ok && i.Key.Type() == cty.String {
			name, at = i.Key.AsString(), i.SrcRange
		}
	}
	last, isName := steps[len(steps)-1].(hcl.TraverseAttr)
	switch {
	case name == "" || len(steps) > wanted || (what == "unit" && len(steps) == wanted && !isName):
		example := `unit["spring"].flow`
		if what == "probe" {
			example = `probe["spring flow"]`
		}
		c.fault(e.SrcRange, "Not understood here", "A %s is named in brackets and quotes: write it like %s.", what, example)
		return nil
	case what == "probe":
		pr, ok := c.site.Probe(reading.ProbeID(name))
		if !ok {
			c.body.Add(hclread.Unknown(at, "probe", name, c.probeNames()))
			return nil
		}
		return c.probe(&term{rng: e.SrcRange}, pr)
	}
	u, ok := c.site.Unit(name)
	switch {
	case !ok:
		c.body.Add(hclread.Unknown(at, "unit", name, c.unitNames()))
		return nil
	case len(steps) < wanted:
		c.fault(e.SrcRange, "Reading missing", "Say what is read of %s: write %s.flow, or .temperature, .oxygen, .saturation, .design_flow, .volume.", name, c.source(e.SrcRange))
		return nil
	}
	t := c.ofUnit(&term{rng: e.SrcRange, unit: u}, last.Name, last.SrcRange)
	switch {
	case t == nil:
		return nil
	case t.what == designFlow && u.DesignFlowLPM == 0, t.what == volume && u.VolumeL == 0:
		c.fault(e.SrcRange, "Not known", "Unit %q has no %s in the site file. Add it there.", name, t.what)
		return nil
	case t.what != "":
		return t
	}
	pr, ok := c.site.ProbeAt(name, t.quantity)
	if !ok {
		c.fault(e.SrcRange, "Nothing to read", "There is no %s probe at unit %q. Add one to the site file, or write another unit.", t.quantity, name)
		return nil
	}
	return c.probe(t, pr)
}

func (c *checker) probe(t *term, pr *site.Probe) *term {
	kind := cond.Quantity(pr.Quantity)
	if kind == 0 {
		c.fault(t.rng, "Not understood here", "Probe %q reads %s, which has no place in a condition. Write another probe.", pr.ID, pr.Quantity)
		return nil
	}
	t.Op, t.probe, t.quantity = cond.Read, pr, pr.Quantity
	return c.as(t, kind)
}

func (p *parser) probeNames() []string {
	out := make([]string, len(p.site.Probes))
	for i, pr := range p.site.Probes {
		out[i] = string(pr.ID)
	}
	return out
}

// operators by how HCL names them.
var operators = map[*hclsyntax.Operation]struct {
	op   cond.Op
	sign string
}{
	hclsyntax.OpLessThan: {cond.Less, "<"}, hclsyntax.OpLessThanOrEqual: {cond.LessEqual, "<="},
	hclsyntax.OpGreaterThan: {cond.Greater, ">"}, hclsyntax.OpGreaterThanOrEqual: {cond.GreaterEqual, ">="},
	hclsyntax.OpEqual: {cond.Same, "=="}, hclsyntax.OpNotEqual: {cond.Same, "!="},
	hclsyntax.OpAdd: {cond.Add, "+"}, hclsyntax.OpSubtract: {cond.Sub, "-"},
	hclsyntax.OpMultiply: {cond.Mul, "*"}, hclsyntax.OpDivide: {cond.Div, "/"},
	hclsyntax.OpLogicalAnd: {cond.And, "&&"}, hclsyntax.OpLogicalOr: {cond.Or, "||"},
}

func (c *checker) binary(e *hclsyntax.BinaryOpExpr) *term {
	l, r := c.infer(e.LHS), c.infer(e.RHS)
	if l == nil || r == nil {
		return nil
	}
	o, ok := operators[e.Op]
	if !ok {
		c.fault(e.SrcRange, "Not understood here", `A remainder means nothing here. Write a share as text: "70%%" * design_flow.`)
		return nil
	}
	t := &term{rng: e.SrcRange, args: []*term{l, r}}
	t.Op = o.op
	switch o.op {
	case cond.And, cond.Or:
		return c.logic(t, o.sign)
	case cond.Same:
		return c.same(t, o.sign)
	case cond.Less, cond.LessEqual, cond.Greater, cond.GreaterEqual:
		return c.compare(t, o.sign)
	case cond.Add, cond.Sub:
		return c.sum(t, o.sign)
	case cond.Mul:
		return c.product(t)
	default:
		return c.quotient(t)
	}
}

func (c *checker) logic(t *term, sign string) *term {
	for _, a := range t.args {
		if a.kind != cond.Bool {
			c.notTrue(a, "beside "+sign)
			return nil
		}
	}
	return c.as(t, cond.Bool)
}

// notTrue reports an amount where something true or false must stand.
func (c *checker) notTrue(t *term, where string) {
	c.settle(t, 0)
	if t.kind == cond.Contact {
		c.fault(t.rng, "Not true or false", "%s is a contact, and %s stands what is true or false. Write closed(%s) or opened(%s).", c.source(t.rng), where, c.source(t.rng), c.source(t.rng))
		return
	}
	c.fault(t.rng, "Not true or false", "%s is %s, and %s stands what is true or false. Compare it: write %s < %q.", c.source(t.rng), a(t.kind), where, c.source(t.rng), c.example(t.kind))
}

func (c *checker) same(t *term, sign string) *term {
	l, r := t.args[0], t.args[1]
	if l.kind != cond.Bool || r.kind != cond.Bool {
		c.fault(t.rng, "Equal by chance", "An amount is hardly ever the same to the last digit. Write <= or >= instead of %s.", sign)
		return nil
	}
	c.as(t, cond.Bool)
	if sign == "==" {
		return t
	}
	not := &term{rng: t.rng, args: []*term{t}}
	not.Op = cond.Not
	return c.as(not, cond.Bool)
}

func (c *checker) compare(t *term, sign string) *term {
	l, r := t.args[0], t.args[1]
	if l.kind == cond.Bool && r.kind == cond.Bool {
		c.fault(t.rng, "Not comparable", "Both sides of %s are true or false. Write && or || between them.", sign)
		return nil
	}
	for _, s := range t.args {
		if s.kind == cond.Contact {
			c.notTrue(s, "here")
			return nil
		}
	}
	kind, odd := c.unify(t.args)
	if odd >= 0 {
		c.unlike(t, sign)
		return nil
	}
	if kind == degrees {
		c.settle(l, 0)
		c.settle(r, 0)
	}
	return c.as(t, cond.Bool)
}

// isLiteral reports whether a term is a constant that stands as it is.
func isLiteral(t *term) bool { return t.Op == cond.Const && t.what == "" }

// unlike reports two sides that cannot be compared, with what would be right.
func (c *checker) unlike(t *term, sign string) {
	l, r := t.args[0], t.args[1]
	ls, rs := c.source(l.rng), c.source(r.rng)
	keep, other := l, r // keep decides what would be right
	if isLiteral(l) && !isLiteral(r) {
		keep, other = r, l
	}
	write := func(s string) string {
		if keep == l {
			return fmt.Sprintf("%s %s %s", ls, sign, s)
		}
		return fmt.Sprintf("%s %s %s", s, sign, rs)
	}
	summary, remedy := "Not comparable", write(fmt.Sprintf("%q", c.example(keep.kind)))
	switch {
	case l.kind == cond.Bool || r.kind == cond.Bool:
		c.fault(t.rng, summary, "%s is %s and %s is %s. Write each comparison by itself and && between them: \"5 L/min\" < flow && flow < \"28 L/min\".", ls, a(l.kind), rs, a(r.kind))
		return
	case isLiteral(other) && other.kind == cond.Number && open(keep.kind) == open(other.kind):
		summary = "Unit missing"
		remedy = write(fmt.Sprintf("%q", measure.Amount{Value: other.Value, Unit: c.unitOf(keep.kind)}.String())) + ", if that is what you mean"
	case other.kind == percent && keep.kind == cond.Flow:
		remedy = write(c.source(other.rng) + " * design_flow")
	case other.kind == percent && keep.kind == cond.Oxygen, other.kind == cond.Saturation && keep.kind == cond.Oxygen:
		remedy = fmt.Sprintf("saturation_of(%s, temperature) %s %s", c.source(keep.rng), sign, c.source(other.rng))
		if keep == r {
			remedy = fmt.Sprintf("%s %s saturation_of(%s, temperature)", c.source(other.rng), sign, c.source(keep.rng))
		}
	case other.kind == cond.Oxygen && keep.kind == cond.Saturation:
		remedy = fmt.Sprintf("oxygen_at(%s, temperature) %s %s", c.source(keep.rng), sign, c.source(other.rng))
		if keep == r {
			remedy = fmt.Sprintf("%s %s oxygen_at(%s, temperature)", c.source(other.rng), sign, c.source(keep.rng))
		}
	case keep.kind == cond.Number:
		remedy = write("0.7")
	}
	c.fault(t.rng, summary, "%s is %s and %s is %s: they cannot be compared. Write %s.", ls, a(l.kind), rs, a(r.kind), remedy)
}

// unitOf is the keeper's unit of a type.
func (p *parser) unitOf(t cond.Type) measure.Unit {
	switch t {
	case cond.Temperature, cond.Difference, degrees:
		return p.site.Show.Temperature
	case cond.Flow:
		return p.site.Show.Flow
	case cond.Oxygen:
		return p.site.Show.Oxygen
	case cond.Saturation, percent:
		return measure.PercentSat
	case cond.Volume:
		return measure.Litre
	default:
		return measure.Unit{}
	}
}

// linear reports whether amounts of a type have a true zero, so that sums and
// shares of them mean something.
func linear(t cond.Type) bool {
	switch t {
	case cond.Number, cond.Difference, cond.Flow, cond.Oxygen, cond.Saturation, cond.Volume:
		return true
	default:
		return false
	}
}

func (c *checker) sum(t *term, sign string) *term {
	l, r := t.args[0], t.args[1]
	warm := func(k cond.Type) bool { return fits(k, cond.Temperature) || k == cond.Difference }
	if warm(l.kind) && warm(r.kind) {
		return c.warmth(t)
	}
	kind, odd := c.unify(t.args)
	switch {
	case odd >= 0:
		c.fault(t.rng, "Not of one kind", "%s is %s and %s is %s: %s means nothing between them. Write amounts of one kind on both sides.", c.source(l.rng), a(l.kind), c.source(r.rng), a(r.kind), sign)
		return nil
	case !linear(kind):
		c.fault(t.rng, "Not an amount", "%s is %s, with which %s means nothing. Write an amount, or && and || between what is true or false.", c.source(l.rng), a(l.kind), sign)
		return nil
	}
	return c.as(t, kind)
}

// warmth is a sum or difference of temperatures and differences.
func (c *checker) warmth(t *term) *term {
	l, r := t.args[0], t.args[1]
	isSum := t.Op == cond.Add
	switch {
	case l.kind == cond.Temperature && r.kind == cond.Temperature:
		if isSum {
			c.fault(t.rng, "Two temperatures added", "A temperature has no true zero, so that the sum of two means nothing. Write mean(%s, %s), or what one is above the other: %s - %s.", c.source(l.rng), c.source(r.rng), c.source(l.rng), c.source(r.rng))
			return nil
		}
		return c.as(t, cond.Difference)
	case l.kind == cond.Difference && r.kind == cond.Difference:
		return c.as(t, cond.Difference)
	case l.kind == cond.Temperature && r.kind == cond.Difference:
		return c.as(t, cond.Temperature)
	case l.kind == cond.Difference && r.kind == cond.Temperature:
		if isSum {
			return c.as(t, cond.Temperature)
		}
		c.fault(t.rng, "Not of one kind", "%s is a difference of temperatures and %s a temperature: taking it away leaves nothing known. Write %s - (%s) for a temperature.", c.source(l.rng), c.source(r.rng), c.source(r.rng), c.source(l.rng))
		return nil
	case l.kind == cond.Temperature && isSum: // and a literal
		c.settle(r, cond.Difference)
		return c.as(t, cond.Temperature)
	case r.kind == cond.Temperature && isSum:
		c.settle(l, cond.Difference)
		return c.as(t, cond.Temperature)
	case r.kind == cond.Temperature:
		c.settle(l, cond.Temperature)
		return c.as(t, cond.Difference)
	case l.kind == cond.Difference && !isSum:
		c.settle(r, cond.Difference)
		return c.as(t, cond.Difference)
	}
	return c.as(t, degrees)
}

// factor settles a literal that stands in a product.
func (c *checker) factor(t *term) {
	switch t.kind {
	case percent:
		c.settle(t, cond.Number)
	case degrees:
		c.settle(t, cond.Difference)
	default:
	}
}

func (c *checker) product(t *term) *term {
	l, r := t.args[0], t.args[1]
	c.factor(l)
	c.factor(r)
	switch {
	case l.kind == cond.Number && linear(r.kind):
		return c.as(t, r.kind)
	case r.kind == cond.Number && linear(l.kind):
		return c.as(t, l.kind)
	}
	c.unscaled(t, "multiplied")
	return nil
}

func (c *checker) quotient(t *term) *term {
	l, r := t.args[0], t.args[1]
	c.factor(l)
	c.factor(r)
	switch {
	case isLiteral(r) && r.kind == cond.Number && r.amount.Value == 0 && r.Value == 0:
		c.fault(t.rng, "Divided by nothing", "Nothing can be divided by 0. Write another number.")
		return nil
	case r.kind == cond.Number && linear(l.kind):
		return c.as(t, l.kind)
	case l.kind == r.kind && linear(l.kind):
		return c.as(t, cond.Number)
	case (l.kind == cond.Flow && r.kind == cond.Volume) || (l.kind == cond.Volume && r.kind == cond.Flow):
		c.fault(t.rng, "Not divisible", "How often the water changes in an hour has a function of its own. Write turnover(flow, volume) < 2.")
		return nil
	}
	c.unscaled(t, "divided")
	return nil
}

// unscaled reports a product or quotient that means nothing.
func (c *checker) unscaled(t *term, how string) {
	for _, s := range t.args {
		if s.kind == cond.Temperature {
			c.fault(t.rng, "No share of a temperature", "A temperature has no true zero, so that %s means nothing. Take a difference first: (%s - unit[\"spring\"].temperature).", c.source(t.rng), c.source(s.rng))
			return
		}
	}
	l, r := t.args[0], t.args[1]
	c.fault(t.rng, "Not of one kind", "%s is %s and %s is %s: they cannot be %s. Write a number or a share on one side, such as \"70%%\" * flow.", c.source(l.rng), a(l.kind), c.source(r.rng), a(r.kind), how)
}

func (c *checker) unary(e *hclsyntax.UnaryOpExpr) *term {
	in := c.infer(e.Val)
	if in == nil {
		return nil
	}
	t := &term{rng: e.SrcRange, args: []*term{in}}
	if e.Op == hclsyntax.OpLogicalNot {
		t.Op = cond.Not
		if in.kind != cond.Bool {
			c.notTrue(in, "after !")
			return nil
		}
		return c.as(t, cond.Bool)
	}
	c.factor(in)
	if !linear(in.kind) {
		c.fault(e.SrcRange, "Not an amount", "%s is %s, which has no minus. Write a minus inside the quotes, such as \"-1 degC\", or between two amounts.", c.source(in.rng), a(in.kind))
		return nil
	}
	t.Op = cond.Neg
	return c.as(t, in.kind)
}

func (c *checker) choice(e *hclsyntax.ConditionalExpr) *term {
	when, then, other := c.infer(e.Condition), c.infer(e.TrueResult), c.infer(e.FalseResult)
	if when == nil || then == nil || other == nil {
		return nil
	}
	if when.kind != cond.Bool {
		c.notTrue(when, "before ?")
		return nil
	}
	t := &term{rng: e.SrcRange, args: []*term{when, then, other}}
	t.Op = cond.Choose
	kind, odd := c.unify(t.args[1:])
	if odd >= 0 || kind == cond.Contact {
		c.fault(e.SrcRange, "Not of one kind", "%s is %s and %s is %s. Write the same kind on both sides of the colon.", c.source(then.rng), a(then.kind), c.source(other.rng), a(other.kind))
		return nil
	}
	return c.as(t, kind)
}

// function is one that a condition may use.
type function struct {
	name  string
	op    cond.Op
	usage string
	// least and most arguments; most 0 is any number.
	least, most int
	check       func(c *checker, t *term, args []hclsyntax.Expression) *term
}

// functions are few, and from statistics and the trade.
func functions() []function {
	return []function{
		{"min", cond.Min, `min(flow, unit["trough 2"].flow)`, 2, 0, (*checker).statistic},
		{"max", cond.Max, `max(flow, unit["trough 2"].flow)`, 2, 0, (*checker).statistic},
		{"mean", cond.Mean, `mean(flow, unit["trough 2"].flow)`, 2, 0, (*checker).statistic},
		{"median", cond.Median, `median(flow, unit["trough 2"].flow, unit["trough 3"].flow)`, 2, 0, (*checker).statistic},
		{"abs", cond.Abs, `abs(temperature - unit["spring"].temperature)`, 1, 1, (*checker).statistic},
		{"mean_over", cond.MeanOver, `mean_over(flow, "10 min")`, 2, 2, (*checker).lookBack},
		{"min_over", cond.MinOver, `min_over(flow, "10 min")`, 2, 2, (*checker).lookBack},
		{"max_over", cond.MaxOver, `max_over(flow, "10 min")`, 2, 2, (*checker).lookBack},
		{"median_over", cond.MedianOver, `median_over(flow, "10 min")`, 2, 2, (*checker).lookBack},
		{"change_over", cond.ChangeOver, `change_over(temperature, "1 h")`, 2, 2, (*checker).lookBack},
		{"stdev_over", cond.StdevOver, `stdev_over(flow, "1 h")`, 2, 2, (*checker).lookBack},
		{"saturation_of", cond.SaturationOf, `saturation_of(oxygen, temperature)`, 2, 2, trade(cond.Saturation, cond.Oxygen, cond.Temperature)},
		{"oxygen_at", cond.OxygenAt, `oxygen_at(saturation, temperature)`, 2, 2, trade(cond.Oxygen, cond.Saturation, cond.Temperature)},
		{"turnover", cond.Turnover, `turnover(flow, volume)`, 2, 2, trade(cond.Number, cond.Flow, cond.Volume)},
		{"at_least", cond.AtLeast, `at_least(2, flow < "28 L/min", oxygen < "6 mg/L", temperature > "12 degC")`, 3, 0, (*checker).vote},
		{"all", cond.And, `all(flow < "28 L/min", temperature > "12 degC")`, 2, 0, (*checker).vote},
		{"any", cond.Or, `any(flow < "28 L/min", oxygen < "6 mg/L")`, 2, 0, (*checker).vote},
		{"silent", cond.Silent, `silent(unit["spring"].flow)`, 1, 1, (*checker).ofProbe},
		{"closed", cond.Closed, `closed(probe["mains"])`, 1, 1, (*checker).ofProbe},
		{"opened", cond.Closed, `opened(probe["mains"])`, 1, 1, (*checker).opened},
	}
}

func (c *checker) call(e *hclsyntax.FunctionCallExpr) *term {
	all := functions()
	i := slices.IndexFunc(all, func(f function) bool { return f.name == e.Name })
	if i < 0 {
		names := make([]string, len(all))
		for i, f := range all {
			names[i] = f.name
		}
		c.body.Add(hclread.Unknown(e.NameRange, "function", e.Name, names))
		return nil
	}
	f := all[i]
	if n := len(e.Args); n < f.least || (f.most > 0 && n > f.most) || e.ExpandFinal {
		c.fault(e.Range(), "Wrong number of arguments", "%s has %d between its parentheses. Write it like %s.", f.name, n, f.usage)
		return nil
	}
	t := &term{rng: e.Range()}
	t.Op = f.op
	return f.check(c, t, e.Args)
}

func (c *checker) inferAll(t *term, args []hclsyntax.Expression) bool {
	ok := true
	for _, e := range args {
		a := c.infer(e)
		ok = ok && a != nil
		t.args = append(t.args, a)
	}
	return ok
}

// usage is how a function is written.
func usage(op cond.Op) (name, example string) {
	for _, f := range functions() {
		if f.op == op {
			return f.name, f.usage
		}
	}
	return "", ""
}

// statistic is one of several amounts of one kind, or the size of one.
func (c *checker) statistic(t *term, args []hclsyntax.Expression) *term {
	if !c.inferAll(t, args) {
		return nil
	}
	name, example := usage(t.Op)
	if t.Op == cond.Abs {
		in := t.args[0]
		c.factor(in)
		if !linear(in.kind) {
			c.fault(in.rng, "Wrong kind of argument", "%s is %s, and %s is the size of a difference. Write it like %s.", c.source(in.rng), a(in.kind), name, example)
			return nil
		}
		return c.as(t, in.kind)
	}
	kind, odd := c.unify(t.args)
	switch {
	case odd >= 0:
		first := t.args[0]
		if odd == 0 {
			first = t.args[1]
		}
		c.fault(t.args[odd].rng, "Wrong kind of argument", "%s is %s and %s is %s: %s is of one kind. Write it like %s.", c.source(t.args[odd].rng), a(t.args[odd].kind), c.source(first.rng), a(first.kind), name, example)
		return nil
	case kind == cond.Bool, kind == cond.Contact:
		c.fault(t.args[0].rng, "Wrong kind of argument", "%s is no amount. Write all(...), any(...) or at_least(2, ...) of what is true or false, and %s of amounts: %s.", c.source(t.args[0].rng), name, example)
		return nil
	}
	return c.as(t, kind)
}

// lookBack is a statistic of what a probe said lately.
func (c *checker) lookBack(t *term, args []hclsyntax.Expression) *term {
	name, example := usage(t.Op)
	in := c.infer(args[0])
	over, ok := c.over(args[1], name, example)
	if in == nil || !ok {
		return nil
	}
	if in.Op != cond.Read || in.kind == cond.Contact {
		c.fault(in.rng, "Wrong kind of argument", "%s looks back at the readings of one probe, and %s is not one. Write it like %s.", name, c.source(in.rng), example)
		return nil
	}
	kind := in.kind
	if kind == cond.Temperature && (t.Op == cond.ChangeOver || t.Op == cond.StdevOver) {
		kind = cond.Difference
	}
	t.here, t.quantity, t.probe, t.unit, t.Over = in.here, in.quantity, in.probe, in.unit, over
	return c.as(t, kind)
}

// over reads how far to look back.
func (c *checker) over(e hclsyntax.Expression, name, example string) (time.Duration, bool) {
	s, ok := quoted(e)
	amount, err := measure.Parse(s)
	if !ok || err != nil || amount.Unit.Dimension() != measure.Time || amount.Value <= 0 {
		c.fault(e.Range(), "Time expected", "The second of %s is how far it looks back. Write it like %s.", name, example)
		return 0, false
	}
	// Compared as seconds: a longer one may not fit a duration.
	if amount.Base() > maxLookBack.Seconds() {
		c.fault(e.Range(), "Window too long", "%s looks back over %s, and more than \"7 d\" is not kept. Write \"7 d\" or less.", name, amount)
		return 0, false
	}
	return amount.Duration(), true
}

// trade makes the check of a function of two amounts.
func trade(result, first, second cond.Type) func(*checker, *term, []hclsyntax.Expression) *term {
	return func(c *checker, t *term, args []hclsyntax.Expression) *term {
		if !c.inferAll(t, args) {
			return nil
		}
		name, example := usage(t.Op)
		for i, want := range []cond.Type{first, second} {
			in := t.args[i]
			if !fits(in.kind, want) {
				c.fault(in.rng, "Wrong kind of argument", "%s is %s, and %s needs %s here. Write it like %s.", c.source(in.rng), a(in.kind), name, a(want), example)
				return nil
			}
			c.settle(in, want)
		}
		return c.as(t, result)
	}
}

// vote is one of several that are true or false.
func (c *checker) vote(t *term, args []hclsyntax.Expression) *term {
	name, example := usage(t.Op)
	members := args
	if t.Op == cond.AtLeast {
		members = args[1:]
		l, ok := args[0].(*hclsyntax.LiteralValueExpr)
		need := int64(0)
		if ok && !l.Val.IsNull() && l.Val.Type() == cty.Number {
			n, exact := l.Val.AsBigFloat().Int64()
			if exact == big.Exact {
				need = n
			}
		}
		if need < 1 || need > int64(len(members)) {
			c.fault(args[0].Range(), "Wrong number of votes", "The first of %s is how many of the %d that follow must be true. Write a whole number from 1 to %d: %s.", name, len(members), len(members), example)
			return nil
		}
		t.Value = float64(need)
	}
	if !c.inferAll(t, members) {
		return nil
	}
	for _, m := range t.args {
		if m.kind != cond.Bool {
			c.notTrue(m, "in "+name)
			return nil
		}
	}
	return c.as(t, cond.Bool)
}

// ofProbe asks whether a probe is silent, or a contact closed.
func (c *checker) ofProbe(t *term, args []hclsyntax.Expression) *term {
	in := c.infer(args[0])
	if in == nil {
		return nil
	}
	name, example := usage(t.Op)
	switch {
	case in.Op != cond.Read:
		c.fault(in.rng, "Wrong kind of argument", "%s asks one probe, and %s is not one. Write it like %s.", name, c.source(in.rng), example)
		return nil
	case t.Op == cond.Closed && in.kind != cond.Contact:
		c.fault(in.rng, "Wrong kind of argument", "%s is %s, and only a contact is closed or open. Write it like %s.", c.source(in.rng), a(in.kind), example)
		return nil
	}
	t.here, t.quantity, t.probe, t.unit = in.here, in.quantity, in.probe, in.unit
	return c.as(t, cond.Bool)
}

// opened is a contact that is not closed.
func (c *checker) opened(t *term, args []hclsyntax.Expression) *term {
	in := c.ofProbe(t, args)
	if in == nil {
		return nil
	}
	not := &term{rng: t.rng, args: []*term{in}}
	not.Op = cond.Not
	return c.as(not, cond.Bool)
}
