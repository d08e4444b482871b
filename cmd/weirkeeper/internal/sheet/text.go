package sheet

import (
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"weirkeeper/rules"
	"weirkeeper/rules/site"
)

// columns is the width of a page of plain text.
const columns = 80

// Text writes a lot's record sheet as plain text, 80 columns wide unless a name
// is too long for them.
func Text(w io.Writer, s *rules.LotSheet, at *site.Site, now time.Time) error {
	c := newCard(s, at, now)
	var b strings.Builder
	title := "Lot " + c.Lot + ", " + c.Kind
	b.WriteString(title + "\n" + strings.Repeat("=", min(utf8.RuneCountInString(title), columns)) + "\n")
	b.WriteString(c.Site + ", " + c.At + "\n\n")
	for _, f := range c.Facts {
		wrap(&b, pad(f.Name, 12), f.Words)
	}
	for _, x := range c.Warnings {
		wrap(&b, pad("WARNING", 12), x)
	}
	for _, t := range append([]table{c.Held, c.Numbers, c.Seen, c.Expected}, append(c.Stock, c.Record, c.Days)...) {
		b.WriteByte('\n')
		t.text(&b)
	}
	b.WriteString("\nEstimates, not promises.\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// leastWrapped is the least width of a column whose words are wrapped.
const leastWrapped = 12

// pad fills s up with spaces.
func pad(s string, width int) string {
	return s + strings.Repeat(" ", max(0, width-utf8.RuneCountInString(s)))
}

// lines breaks s between words into lines of at most width, where its words
// allow it.
func lines(s string, width int) []string {
	var out []string
	line := ""
	for _, word := range strings.Fields(s) {
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= width:
			line += " " + word
		default:
			out = append(out, line)
			line = word
		}
	}
	return append(out, line)
}

// wrap writes s after a start, its further lines under its first.
func wrap(b *strings.Builder, start, s string) {
	n := utf8.RuneCountInString(start)
	for i, line := range lines(s, max(20, columns-n)) {
		if i > 0 {
			start = strings.Repeat(" ", n)
		}
		b.WriteString(start + line + "\n")
	}
}

// text writes a table, ruled under its heads.
func (t *table) text(b *strings.Builder) {
	b.WriteString(t.Caption + "\n")
	if len(t.Rows) == 0 {
		b.WriteString("  " + t.None + "\n")
		return
	}
	width, flexible := make([]int, len(t.Heads)), -1
	for i, h := range t.Heads {
		for _, line := range strings.Split(h, "\n") {
			width[i] = max(width[i], utf8.RuneCountInString(line))
		}
		for _, r := range t.Rows {
			width[i] = max(width[i], utf8.RuneCountInString(r.Cells[i]))
		}
		if t.Align[i] == 'w' {
			flexible = i
		}
	}
	wide := 0
	for _, w := range width {
		wide += w
	}
	gap := 2
	if n := len(width); wide+2*n > columns && (flexible < 0 || wide+n <= columns) {
		gap = 1
	} else if over := wide + 2*n - columns; over > 0 {
		shrunk := max(leastWrapped, width[flexible]-over)
		wide += shrunk - width[flexible]
		width[flexible] = shrunk
	}
	line := func(cells [][]string) {
		high := 0
		for _, c := range cells {
			high = max(high, len(c))
		}
		for y := range high {
			var s strings.Builder
			for i, c := range cells {
				cell := ""
				if y < len(c) {
					cell = c[y]
				}
				s.WriteString(strings.Repeat(" ", gap))
				if t.Align[i] == 'r' {
					s.WriteString(strings.Repeat(" ", max(0, width[i]-utf8.RuneCountInString(cell))) + cell)
				} else {
					s.WriteString(pad(cell, width[i]))
				}
			}
			b.WriteString(strings.TrimRight(s.String(), " ") + "\n")
		}
	}
	heads := make([][]string, len(t.Heads))
	for i, h := range t.Heads {
		heads[i] = strings.Split(h, "\n")
	}
	line(heads)
	b.WriteString(strings.Repeat(" ", gap) + strings.Repeat("-", min(columns, wide+gap*len(width))-gap) + "\n")
	for _, r := range t.Rows {
		cells := make([][]string, len(r.Cells))
		for i, c := range r.Cells {
			cells[i] = []string{c}
			if t.Align[i] == 'w' {
				cells[i] = lines(c, width[i])
			}
		}
		line(cells)
	}
	for _, n := range t.Says {
		wrap(b, "  ", n)
	}
	for i, n := range t.Notes {
		wrap(b, "  "+mark(i)+" ", n)
	}
}
