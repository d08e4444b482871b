package page

import (
	"context"
	"encoding/csv"
	"net/http"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// historyView is what history.tmpl shows.
type historyView struct {
	Problem      string
	Range        string // in words
	From, To     string // for the form
	Last         string
	Zone         string
	Now          float64 // for the script
	FromS, ToS   float64
	Zoom, Lasts  []historyLink
	Places       []historyPlace
	Drawing      *drawing
	Rows         []historyRow
	Marks        []historyMark
	MarksLeftOut int
	CSV          string
	Probes       []string
}

type historyLink struct {
	Name, Words, Link string // Link "" where it leads nowhere
	Here              bool
}

// historyPlace is the probes of one unit, to choose from.
type historyPlace struct {
	Unit   string
	Probes []historyChoice
	Open   bool
}

type historyChoice struct {
	ID      string
	Words   string
	Checked bool
}

type historyRow struct {
	Probe, Least, Most, Mean, Last, Silent string
	Count                                  string
	Setpoints                              []string
}

type historyMark struct{ Lane, When, Words string }

func (h *History) page(w http.ResponseWriter, r *http.Request) {
	l := languageOf(w, r)
	a, problem := h.ask(r.URL.Query(), l)
	p, err := h.read(r.Context(), a, bucketsDrawn)
	if err != nil {
		h.fail(w, err)
		return
	}
	code := http.StatusOK
	if problem != "" {
		code = http.StatusBadRequest
	}
	Write(w, r, code, Page{
		Title: "history.title", Name: "history", Site: h.Site.Name, Data: newHistoryView(p, h.Site, l, problem),
		Scripts: []string{"vendor/uPlot.iife.min.js", "history.js"}, Styles: []string{"vendor/uPlot.min.css", "history.css"},
	})
}

func newHistoryView(p *past, s *site.Site, l Language, problem string) *historyView {
	loc := s.Location
	v := &historyView{
		Problem: problem, Range: l.rangeWords(p.From, p.To, loc), From: p.From.In(loc).Format(formStamp), To: p.To.In(loc).Format(formStamp),
		Last: p.Last, Zone: loc.String(), Now: unixSeconds(p.Now), FromS: unixSeconds(p.From), ToS: unixSeconds(p.To),
		Drawing: p.draw(s, l), CSV: "/history.csv?" + p.query(p.From, p.To, loc).Encode(),
	}
	for _, name := range []string{"earlier", "later", "closer", "wider"} {
		link := historyLink{Name: name, Words: l.Text("history.do." + name)}
		if from, to, ok := p.step(name); ok {
			link.Link = "/history?" + p.query(from, to, loc).Encode()
		}
		v.Zoom = append(v.Zoom, link)
	}
	for _, last := range lasts {
		q := p.probeQuery()
		q.Set("last", last)
		v.Lasts = append(v.Lasts, historyLink{Name: last, Words: l.lastWords(last), Link: "/history?" + q.Encode(), Here: last == p.Last})
	}
	chosen := make(map[reading.ProbeID]bool)
	for _, probe := range p.Probes {
		chosen[probe.ID] = true
		v.Probes = append(v.Probes, string(probe.ID))
	}
	v.Places = historyPlaces(s, chosen, l)
	for i := range p.Lines {
		v.Rows = append(v.Rows, newHistoryRow(&p.Lines[i], s, l))
	}
	for i := len(p.Marks) - 1; i >= 0; i-- {
		m := &p.Marks[i]
		if len(v.Marks) == marksListed {
			v.MarksLeftOut++
			continue
		}
		when := l.moment(m.Began, loc)
		switch {
		case m.Open:
			when = l.Text("history.since", when)
		case m.To.Sub(m.Began) >= time.Second:
			when += ", " + measure.FormatDuration(m.To.Sub(m.Began))
		}
		v.Marks = append(v.Marks, historyMark{"history.lane." + m.Lane.String(), when, m.Words})
	}
	return v
}

// historyPlaces lists the probes by the unit they stand in, in the order of the
// site file.
func historyPlaces(s *site.Site, chosen map[reading.ProbeID]bool, l Language) (all []historyPlace) {
	place := func(unit string) *historyPlace {
		for i := range all {
			if all[i].Unit == unit {
				return &all[i]
			}
		}
		all = append(all, historyPlace{Unit: unit})
		return &all[len(all)-1]
	}
	put := func(unit string, id reading.ProbeID, words string) {
		pl := place(unit)
		pl.Open = pl.Open || chosen[id]
		pl.Probes = append(pl.Probes, historyChoice{string(id), words, chosen[id]})
	}
	for _, u := range s.Units {
		for i := range s.Probes {
			if p := &s.Probes[i]; p.At == u.Name {
				put(u.Name, p.ID, l.Text("history.quantity."+p.Quantity.String())+" ("+string(p.ID)+")")
			}
		}
		if hand := site.HandProbe(u.Name); chosen[hand] || len(all) > 0 && all[len(all)-1].Unit == u.Name {
			put(u.Name, hand, l.Text("history.hand"))
		}
	}
	for i := range s.Probes {
		if p := &s.Probes[i]; p.At == "" {
			put("", p.ID, string(p.ID))
		}
	}
	return all
}

func newHistoryRow(ln *line, s *site.Site, l Language) historyRow {
	row := historyRow{Probe: string(ln.Probe.ID), Count: measure.Group(ln.Count), Silent: measure.FormatDuration(ln.Silent)}
	if ln.Probe.Quantity == reading.Contact {
		if n := len(ln.Points); n > 0 {
			row.Last = l.Text("history.contact." + reading.ContactWord(ln.Points[n-1].Last))
		}
		return row
	}
	if ln.Count > 0 {
		row.Least, row.Most, row.Mean = ln.format(s, ln.Least), ln.format(s, ln.Most), ln.format(s, ln.Mean)
		row.Last = ln.format(s, ln.Points[len(ln.Points)-1].Last)
	}
	for _, sp := range ln.Setpoints {
		row.Setpoints = append(row.Setpoints, setpointWords(l, ln.Unit.Format(sp.Value), sp.Least))
	}
	return row
}

// exportPause is how long a reader of an export may take over some thousand
// readings.
const exportPause = 30 * time.Second

// csv writes the readings of a range, as the command export does, with names
// that a spreadsheet cannot take for a formula.
func (h *History) csv(w http.ResponseWriter, r *http.Request) {
	a, problem := h.ask(r.URL.Query(), languageOf(w, r))
	if problem != "" {
		http.Error(w, problem, http.StatusBadRequest)
		return
	}
	select {
	case h.exports <- struct{}{}:
		defer func() { <-h.exports }()
	default:
		w.Header().Set("Retry-After", "60")
		http.Error(w, "others are being given their files: try again in a minute", http.StatusServiceUnavailable)
		return
	}
	Harden(w.Header())
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="readings-`+a.From.In(h.Site.Location).Format(time.DateOnly)+`.csv"`)
	if err := h.writeCSV(r.Context(), w, a); err != nil {
		h.Log.Warn("export of readings broken off", "err", err)
		panic(http.ErrAbortHandler) // so that what came is not taken for the whole
	}
}

func (h *History) writeCSV(ctx context.Context, w http.ResponseWriter, a ranged) error {
	control := http.NewResponseController(w)
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(sheet.ReadingColumns()); err != nil {
		return err
	}
	n := 0
	for _, p := range a.Probes {
		unit := p.Quantity.Dimension().Base().String()
		for r, err := range h.Past.Readings(ctx, p.ID, a.From, a.To) {
			if err != nil {
				return err
			}
			if n%4096 == 0 {
				// Where it cannot be set the server's own limit holds.
				_ = control.SetWriteDeadline(time.Now().Add(exportPause))
			}
			n++
			row := sheet.ReadingRow(r, unit)
			row[0] = sheet.Guard(row[0])
			if err := c.Write(row); err != nil {
				return err
			}
		}
	}
	c.Flush()
	return c.Error()
}

// rangeWords words a range: "24 Nov 2026, 06:00 to 25 Nov 2026, 06:00".
func (l Language) rangeWords(from, to time.Time, loc *time.Location) string {
	return l.Text("history.range", l.moment(from, loc), l.moment(to, loc))
}

// lastWords words "24h" and the like.
func (l Language) lastWords(last string) string {
	n := strings.TrimRight(last, "hd")
	if strings.HasSuffix(last, "d") {
		return l.Text("history.lastdays", n)
	}
	return l.Text("history.lasthours", n)
}

var months = map[Language][12]string{
	English: {"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"},
	Spanish: {"ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sep", "oct", "nov", "dic"},
}

// month, dayMonth and moment word a time, in its own zone but for moment.
func (l Language) month(t time.Time) string { return months[l][t.Month()-1] }

func (l Language) dayMonth(t time.Time) string { return t.Format("2 ") + l.month(t) }

func (l Language) moment(t time.Time, loc *time.Location) string {
	t = t.In(loc)
	return l.dayMonth(t) + t.Format(" 2006, 15:04")
}
