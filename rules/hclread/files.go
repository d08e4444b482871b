package hclread

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"

	"weirkeeper/rules/measure"
)

// MaxSize is the largest file Parse takes, bytes. It bounds the depth to which
// the parser can recurse; a site file is a few kilobytes.
const MaxSize = 256 << 10

// Files holds the parsed files by name, for Render.
type Files struct {
	byName map[string]*hcl.File
}

// NewFiles returns an empty Files.
func NewFiles() *Files { return &Files{byName: make(map[string]*hcl.File)} }

// syntax marks a diagnostic of the parser, so that readers do not report the
// same place again.
type syntax struct{}

// Parse parses a file and recovers from faults as far as it can: the body is
// never nil and holds what could be read.
func (f *Files) Parse(name string, src []byte) (*hclsyntax.Body, hcl.Diagnostics) {
	refuse := func(at hcl.Range, summary, detail string) (*hclsyntax.Body, hcl.Diagnostics) {
		f.byName[name] = &hcl.File{Bytes: src}
		all := hcl.Range{Filename: name, Start: hcl.InitialPos, End: at.End}
		return &hclsyntax.Body{SrcRange: all, EndRange: at}, hcl.Diagnostics{{
			Severity: hcl.DiagError, Summary: summary, Detail: detail, Subject: &at, Extra: syntax{},
		}}
	}
	if len(src) > MaxSize {
		first := hcl.Range{Filename: name, Start: hcl.InitialPos, End: hcl.InitialPos}
		return refuse(first, "File too long", fmt.Sprintf("%s has %d bytes; at most %d are read. Give the right file.", name, len(src), MaxSize))
	}
	if at, ok := tooDeep(name, src); ok {
		return refuse(at, "Nested too deep", "The brackets here stand in each other more often than any description needs. Correct this line.")
	}
	text := src
	var found hcl.Diagnostics
	seen := make(map[int]bool) // lines reported
	for {
		file, diags := hclsyntax.ParseConfig(text, name, hcl.InitialPos)
		i := slices.IndexFunc(diags, func(d *hcl.Diagnostic) bool { return !seen[subject(d).Start.Line] })
		if i < 0 || len(found) == maxSyntax {
			file.Bytes = src
			f.byName[name] = file
			return file.Body.(*hclsyntax.Body), found
		}
		d := diags[i]
		if d.Subject == nil {
			d.Subject = &hcl.Range{Filename: name, Start: hcl.InitialPos, End: hcl.InitialPos}
		}
		d.Context = nil
		seen[d.Subject.Start.Line] = true
		d.Extra = syntax{}
		found = append(found, d)
		text = takeOut(d, text)
	}
}

// The parser calls itself for every bracket and operator; these bounds keep a
// hostile file from exhausting the stack, which nothing can recover from.
const (
	maxDepth = 50  // brackets within each other
	maxRun   = 500 // operators in one expression
)

func tooDeep(name string, src []byte) (hcl.Range, bool) {
	tokens, _ := hclsyntax.LexConfig(src, name, hcl.InitialPos)
	var open []hclsyntax.TokenType
	run := 0
	for _, t := range tokens {
		switch t.Type {
		case hclsyntax.TokenOBrace, hclsyntax.TokenOBrack, hclsyntax.TokenOParen, hclsyntax.TokenOQuote, hclsyntax.TokenOHeredoc, hclsyntax.TokenTemplateInterp, hclsyntax.TokenTemplateControl:
			open = append(open, t.Type)
		case hclsyntax.TokenCBrace, hclsyntax.TokenCBrack, hclsyntax.TokenCParen, hclsyntax.TokenCQuote, hclsyntax.TokenCHeredoc, hclsyntax.TokenTemplateSeqEnd:
			open = open[:max(len(open)-1, 0)]
		case hclsyntax.TokenNewline:
			if len(open) == 0 || open[len(open)-1] == hclsyntax.TokenOBrace {
				run = 0 // elsewhere an expression goes on in the next line
			}
		case hclsyntax.TokenComma:
			run = 0
		case hclsyntax.TokenIdent, hclsyntax.TokenNumberLit, hclsyntax.TokenQuotedLit, hclsyntax.TokenStringLit, hclsyntax.TokenComment:
		default: // an operator, or harmless
			run++
		}
		if len(open) > maxDepth || run > maxRun {
			return t.Range, true
		}
	}
	return hcl.Range{}, false
}

// maxSyntax bounds the faults of the parser that one run reports.
const maxSyntax = 50

var (
	bareAmount = regexp.MustCompile(`^\s*([A-Za-z][\w-]*)\s*=\s*([-+]?[0-9][0-9.]*)\s*([A-Za-z%°][^\s"#]*( saturation)?)`)
	bareValue  = regexp.MustCompile(`^\s*([A-Za-z][\w-]*)\s*:?\s*("[^"]*"|[0-9.]+)\s*$`)
)

// takeOut says in d what to do about the slips of the pen that the parser's own
// words do not help with, and blanks the line at fault, leaving every other
// byte in its place: the parser falls silent after its first fault, and a quote
// that is not closed turns all that follows inside out. A line whose brackets
// do not match stays, or its block would come apart.
func takeOut(d *hcl.Diagnostic, text []byte) []byte {
	at := d.Subject.Start
	if at.Byte > len(text) {
		return text
	}
	start := bytes.LastIndexByte(text[:at.Byte], '\n') + 1
	line := text[start:]
	if n := bytes.IndexByte(line, '\n'); n >= 0 {
		line = line[:n]
	}
	line = bytes.TrimRight(line, " \t\r")
	from, to := start, start+len(line)
	whole := bytes.Count(line, []byte("{")) == bytes.Count(line, []byte("}")) && bytes.Count(line, []byte("[")) == bytes.Count(line, []byte("]")) &&
		bytes.Count(line, []byte("(")) == bytes.Count(line, []byte(")"))
	switch m := bareAmount.FindSubmatch(line); {
	case d.Summary == "Attribute redefined":
		whole = false // it reads well
	case d.Summary == "Invalid multi-line string" && bytes.Count(line, []byte(`"`))%2 == 1:
		quote := start + bytes.LastIndexByte(line, '"')
		d.Summary = "Closing quote missing"
		d.Detail = fmt.Sprintf("Text in quotes begins and ends on one line: write %s\".", bytes.TrimRight(text[quote:to], "{ \t"))
		d.Subject.Start = hcl.Pos{Line: at.Line, Column: utf8.RuneCount(text[start:quote]) + 1, Byte: quote}
		d.Subject.End = hcl.Pos{Line: at.Line, Column: utf8.RuneCount(line) + 1, Byte: to}
		if bytes.HasSuffix(line, []byte("{")) { // a header loses its name only
			from, to, whole = quote, to-1, true
		}
	case m != nil:
		d.Summary = "Quotes missing"
		d.Detail = fmt.Sprintf("A number with a unit stands in quotes: write %s = \"%s %s\".", m[1], m[2], m[3])
	case d.Summary == "Unclosed configuration block":
		d.Summary = "Closing brace missing"
		d.Detail = "This block has no end. Add a } on a line of its own where it ends."
	case (d.Summary == "Invalid block definition" || d.Summary == "Argument or block definition required") && bareValue.Match(line):
		m := bareValue.FindSubmatch(line)
		d.Summary = "Equals sign missing"
		d.Detail = fmt.Sprintf("Write %s = %s for a value. (A block's line ends with { instead.)", m[1], m[2])
	case strings.Contains(d.Summary, "single-argument block"):
		d.Summary = "Several names on one line"
		d.Detail = "Between { and } on one line only one name may stand. Put each name = value on a line of its own, and the closing } too."
	}
	if !whole {
		return text
	}
	text = slices.Clone(text)
	for i := from; i < to; i++ {
		text[i] = ' '
	}
	return text
}

// Hide makes Render show stars instead of the text in rng, for a secret that
// was written where it should not be.
func (f *Files) Hide(rng hcl.Range) {
	file := f.byName[rng.Filename]
	if file == nil || !rng.CanSliceBytes(file.Bytes) {
		return
	}
	file.Bytes = slices.Clone(file.Bytes)
	for i, c := range rng.SliceBytes(file.Bytes) {
		if c != '\n' && c != '"' {
			file.Bytes[rng.Start.Byte+i] = '*'
		}
	}
}

// maxShown bounds what Render writes: each diagnostic costs a walk through its
// file, and nobody reads more at once.
const maxShown = 100

// Render writes every diagnostic with its place and source line, sorted by file
// and line, identical ones once, the first 100 of them, and a closing line with
// the counts. It writes nothing when there is none. Width is where details wrap, columns; 0 is never.
func (f *Files) Render(w io.Writer, diags hcl.Diagnostics, width uint) error {
	if len(diags) == 0 {
		return nil
	}
	sorted := slices.Clone(diags)
	slices.SortStableFunc(sorted, func(a, b *hcl.Diagnostic) int {
		x, y := subject(a), subject(b)
		return cmp.Or(
			cmp.Compare(x.Filename, y.Filename),
			cmp.Compare(x.Start.Byte, y.Start.Byte),
			cmp.Compare(a.Severity, b.Severity),
			cmp.Compare(a.Summary, b.Summary),
			cmp.Compare(a.Detail, b.Detail),
		)
	})
	sorted = slices.CompactFunc(sorted, func(a, b *hcl.Diagnostic) bool {
		x, y := subject(a), subject(b)
		return x.Filename == y.Filename && x.Start.Byte == y.Start.Byte && a.Summary == b.Summary && a.Detail == b.Detail
	})
	shown := sorted[:min(len(sorted), maxShown)]
	if err := hcl.NewDiagnosticTextWriter(w, f.byName, width, false).WriteDiagnostics(shown); err != nil {
		return fmt.Errorf("hclread: render diagnostics: %w", err)
	}
	faults := 0
	for _, d := range sorted {
		if d.Severity == hcl.DiagError {
			faults++
		}
	}
	var counts []string
	if faults > 0 {
		counts = append(counts, measure.Count(faults, "fault"))
	}
	if n := len(sorted) - faults; n > 0 {
		counts = append(counts, measure.Count(n, "warning"))
	}
	if n := len(sorted) - len(shown); n > 0 {
		counts = append(counts, fmt.Sprintf("%d of them not shown", n))
	}
	if _, err := fmt.Fprintln(w, strings.Join(counts, ", ")); err != nil {
		return fmt.Errorf("hclread: render diagnostics: %w", err)
	}
	return nil
}

func subject(d *hcl.Diagnostic) hcl.Range {
	if d.Subject == nil {
		return hcl.Range{}
	}
	return *d.Subject
}
