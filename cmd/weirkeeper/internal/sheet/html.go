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
