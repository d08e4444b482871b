package hclread

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"

	"weirkeeper/rules/measure"
)

// Body reads one HCL body, a whole file or a block, and remembers what was
// asked for.
type Body struct {
	body  *hclsyntax.Body
	diags *hcl.Diagnostics
	what  string
	def   hcl.Range
	attrs map[string]bool // names asked for as attributes
	kinds map[string]bool // names asked for as blocks
}

// Block is a block and the reader of its body.
type Block struct {
	*Body
	Type        string
	Labels      []string
	LabelRanges []hcl.Range
}

// Name is the first label, "" without one.
func (b *Block) Name() string {
	if len(b.Labels) == 0 {
		return ""
	}
	return b.Labels[0]
}

// Read reads a whole file's body, as Parse gives it; diags already holds
// Parse's diagnostics and collects all others. What names the body in
// messages: "the site file".
func Read(body *hclsyntax.Body, diags *hcl.Diagnostics, what string) *Body {
	start := hcl.Range{Filename: body.SrcRange.Filename, Start: body.SrcRange.Start, End: body.SrcRange.Start}
	return newBody(body, diags, what, start)
}

func newBody(body *hclsyntax.Body, diags *hcl.Diagnostics, what string, def hcl.Range) *Body {
	return &Body{body: body, diags: diags, what: what, def: def, attrs: make(map[string]bool), kinds: make(map[string]bool)}
}

// What names the body in messages: `probe "spring temperature"`.
func (b *Body) What() string { return b.what }

// DefRange is the header of the block, or the start of the file.
func (b *Body) DefRange() hcl.Range { return b.def }

// Rng is the place of an attribute's value, or DefRange when it is missing.
func (b *Body) Rng(name string) hcl.Range {
	if a, ok := b.body.Attributes[name]; ok {
		return a.Expr.Range()
	}
	return b.def
}

// Has reports whether the attribute is written, rightly or not.
func (b *Body) Has(name string) bool {
	b.attrs[name] = true
	return b.body.Attributes[name] != nil
}

// Fault adds an error. The summary is a few words without a period; the detail
// says in sentences what is wrong and what to do.
func (b *Body) Fault(rng hcl.Range, summary, detail string) {
	*b.diags = append(*b.diags, &hcl.Diagnostic{Severity: hcl.DiagError, Summary: summary, Detail: detail, Subject: &rng})
}

// Warn adds a warning: the file works, but perhaps not as meant.
func (b *Body) Warn(rng hcl.Range, summary, detail string) {
	*b.diags = append(*b.diags, &hcl.Diagnostic{Severity: hcl.DiagWarning, Summary: summary, Detail: detail, Subject: &rng})
}

// Add adds a finished diagnostic, such as one of Unknown or Twice.
func (b *Body) Add(d *hcl.Diagnostic) { *b.diags = append(*b.diags, d) }

// Need reports a missing attribute on the header, with an example value in HCL
// syntax (`"28 L/min"`), and returns whether it is there.
func (b *Body) Need(name, example string) bool {
	if b.Has(name) {
		return true
	}
	if !b.Broken() {
		b.Fault(b.def, fmt.Sprintf("Missing %q", name), fmt.Sprintf("%s needs %s. Add a line such as %s = %s.", measure.Capital(b.what), name, name, example))
	}
	return false
}

// Broken reports whether the parser stumbled anywhere in the body, so that
// blocks may be missing from it: names that refer to them prove nothing.
func (b *Body) Broken() bool { return b.broken(b.body.SrcRange) }

// broken reports whether the parser stumbled on a line of the range.
func (b *Body) broken(rng hcl.Range) bool {
	return slices.ContainsFunc(*b.diags, func(d *hcl.Diagnostic) bool {
		_, ok := d.Extra.(syntax)
		return ok && d.Subject.Filename == rng.Filename && d.Subject.Start.Line <= rng.End.Line && d.Subject.End.Line >= rng.Start.Line
	})
}

// Blocks returns the blocks of a type in order, labels unchecked.
func (b *Body) Blocks(kind string) []*Block {
	b.kinds[kind] = true
	var out []*Block
	for _, h := range b.body.Blocks {
		if h.Type != kind {
			continue
		}
		what := h.Type
		for _, l := range h.Labels {
			what += " " + strconv.Quote(l)
		}
		out = append(out, &Block{
			Body: newBody(h.Body, b.diags, what, h.DefRange()),
			Type: h.Type, Labels: h.Labels, LabelRanges: h.LabelRanges,
		})
	}
	return out
}

// Named returns the blocks of a type that carry exactly one label, a name used
// once in this body. Others are faults and left out.
func (b *Body) Named(kind string) []*Block {
	var out []*Block
	first := make(map[string]hcl.Range)
	for _, h := range b.Blocks(kind) {
		switch {
		case len(h.Labels) == 0:
			if !h.broken(h.def) {
				b.Fault(h.def, "Name missing", fmt.Sprintf("Each %s has a name in quotes before the brace: write %s \"name\" { ... }.", kind, kind))
			}
			continue
		case len(h.Labels) > 1:
			b.Fault(h.LabelRanges[1], "One name too many", fmt.Sprintf("A %s has one name. Put all of it in one pair of quotes: %s %q.", kind, kind, strings.Join(h.Labels, " ")))
			continue
		}
		name, rng := h.Labels[0], h.LabelRanges[0]
		if name == "" || name != strings.TrimSpace(name) || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) {
			b.Fault(rng, "Not a name", fmt.Sprintf("A name has at least one letter, no space at its ends and no line breaks. Write it as it should stand in a message: %s \"name\".", kind))
			continue
		}
		if at, ok := first[name]; ok {
			b.Add(Twice(rng, kind, name, at))
			continue
		}
		first[name] = rng
		out = append(out, h)
	}
	return out
}

// One returns the only block of a type, without a label, or nil. A second one
// is a fault.
func (b *Body) One(kind string) *Block {
	all := b.Blocks(kind)
	if len(all) == 0 {
		return nil
	}
	for _, h := range all {
		if len(h.LabelRanges) > 0 {
			b.Fault(h.LabelRanges[0], "Name not expected", fmt.Sprintf("There is only one %s here and it has no name. Write %s { ... }.", kind, kind))
		}
	}
	for _, h := range all[1:] {
		b.Fault(h.def, "Written twice", fmt.Sprintf("There is already a %s block at %s. Put everything into one of them and delete the other.", kind, place(all[0].def)))
	}
	return all[0]
}

// Done reports every attribute and block that was not asked for.
func (b *Body) Done() {
	known := make([]string, 0, len(b.attrs)+len(b.kinds))
	for n := range b.attrs {
		known = append(known, n)
	}
	for n := range b.kinds {
		known = append(known, n)
	}
	slices.Sort(known)
	known = slices.Compact(known)
	names := make([]string, 0, len(b.body.Attributes))
	for n := range b.body.Attributes {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		a := b.body.Attributes[n]
		switch {
		case b.attrs[n]:
		case b.kinds[n]:
			b.Fault(a.NameRange, "Block expected", fmt.Sprintf("%s is a block here: write %s { ... } without the equals sign.", n, n))
		default:
			b.unknownName(a.NameRange, n, known)
		}
	}
	unclosed := !b.def.Empty() && b.broken(b.def)
	for _, h := range b.body.Blocks {
		switch {
		case b.kinds[h.Type] || unclosed: // an unclosed block swallows its neighbours
		case b.attrs[h.Type]:
			b.Fault(h.TypeRange, "Value expected", fmt.Sprintf("%s is not a block here: write %s = followed by its value.", h.Type, h.Type))
		default:
			b.unknownName(h.TypeRange, h.Type, known)
		}
	}
}

func (b *Body) unknownName(rng hcl.Range, name string, known []string) {
	b.Fault(rng, "Unknown name", fmt.Sprintf("There is no %q in %s%s", name, b.what, near(name, known)))
}

// Unknown is the fault for a name that refers to nothing: a probe, a unit, a
// person. It suggests a near one or lists what there is.
func Unknown(rng hcl.Range, kindOfThing, name string, known []string) *hcl.Diagnostic {
	return &hcl.Diagnostic{
		Severity: hcl.DiagError,
		Summary:  "Unknown " + kindOfThing,
		Detail:   fmt.Sprintf("There is no %s %q%s", kindOfThing, name, near(name, known)),
		Subject:  &rng,
	}
}

// Twice is the fault for a name used twice; first is the other place.
func Twice(rng hcl.Range, kindOfThing, name string, first hcl.Range) *hcl.Diagnostic {
	return &hcl.Diagnostic{
		Severity: hcl.DiagError,
		Summary:  "Name used twice",
		Detail:   fmt.Sprintf("There is already a %s %q at %s. Give one of them another name, or delete it.", kindOfThing, name, place(first)),
		Subject:  &rng,
	}
}

func place(r hcl.Range) string { return fmt.Sprintf("%s:%d", r.Filename, r.Start.Line) }

// near ends a sentence with the nearest known name, or with up to 8 of them.
func near(name string, known []string) string {
	if s := measure.Suggest(name, known); s != "" {
		return fmt.Sprintf("; did you mean %q?", s)
	}
	switch n := len(known); {
	case n == 0:
		return ", and nothing like it yet. Add it, or delete the name here."
	case n > 8:
		return fmt.Sprintf(". Write one of %s, or one of %d more.", quoted(known[:8], ", "), n-8)
	default:
		return ". Write " + quoted(known, " or ") + "."
	}
}

// quoted joins quoted names, the last with its own separator.
func quoted(names []string, last string) string {
	var sb strings.Builder
	for i, n := range names {
		switch {
		case i == 0:
		case i == len(names)-1:
			sb.WriteString(last)
		default:
			sb.WriteString(", ")
		}
		sb.WriteString(strconv.Quote(n))
	}
	return sb.String()
}

// sentence turns an error's text into a sentence.
func sentence(s string) string {
	if !strings.HasSuffix(s, "?") {
		s += "."
	}
	return measure.Capital(s)
}
