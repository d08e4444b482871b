package sheet

import (
	_ "embed" // the page
	"html/template"
	"io"
	"strings"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/site"
)

//go:embed page.tmpl
var pageText string

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"mark":  mark,
	"plain": func(head string) string { return strings.ReplaceAll(head, "\n", " ") },
	"class": func(align string, i int) template.HTMLAttr {
		switch align[i] {
		case 'r':
			return ` class="n"`
		case 'w':
			return ` class="w"`
		}
		return ""
	},
	"wrapped": func(align string, i int) bool { return align[i] == 'w' },
	"first":   func(i int) bool { return i == 0 },
	"blank":   func() []struct{} { return make([]struct{}, blankLines) },
}).Parse(pageText))

// blankLines are left at the end of the page to be written on.
const blankLines = 8

// HTML writes a lot's record sheet as one page that needs nothing else: to look
// at on any screen, or to print on A4 or Letter and hang by the incubators.
func HTML(w io.Writer, s *rules.LotSheet, at *site.Site, now time.Time) error {
	return page.Execute(w, struct {
		card
		Plot *plot
	}{newCard(s, at, now), newPlot(s, at)})
}

// Parts are a lot's record sheet in pieces, for a page that lays them out itself.
type Parts struct {
	Warnings []string
	// Facts, Where, Stages, Stock and Days are tables, Course the drawing with its
	// words; Course is "" where there is nothing to draw yet.
	Facts, Where, Stages, Course, Stock, Days template.HTML
	Record                                    []RecordLine
}

// RecordLine is a line of the record in words.
type RecordLine struct {
	Seq            int64 // 0 or less for what the site file states
	When, What, By string
	// Gone: it no longer holds; What says why.
	Gone bool
}

// PartsOf makes the pieces of a lot's record sheet.
func PartsOf(s *rules.LotSheet, at *site.Site, now time.Time) (Parts, error) {
	c := newCard(s, at, now)
	p := Parts{Warnings: c.Warnings}
	for i, r := range c.Record.Rows {
		p.Record = append(p.Record, RecordLine{Seq: s.Lines[i].Seq, When: r.Cells[1], What: r.Cells[2], By: r.Cells[3], Gone: r.Gone})
	}
	var err error
	part := func(name string, data ...any) template.HTML {
		var b strings.Builder
		for _, d := range data {
			if err == nil {
				err = page.ExecuteTemplate(&b, name, d)
			}
		}
		return template.HTML(b.String()) // escaped by our own template
	}
	p.Facts, p.Where, p.Stages, p.Days = part("facts", c), part("table", c.Held, c.Numbers), part("table", c.Seen, c.Expected), part("table", c.Days)
	for _, t := range c.Stock {
		p.Stock += part("table", t)
	}
	if drawn := newPlot(s, at); drawn != nil {
		p.Course = part("plot", drawn)
	}
	return p, err
}
