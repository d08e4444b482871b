package page

import (
	"context"
	"crypto/rand"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/lotform"
	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/rules"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/site"
)

// LotRecord is what the pages of the lots need of the daemon.
type LotRecord interface {
	// LotViews is every lot, and the time of that.
	LotViews(ctx context.Context) ([]rules.LotView, time.Time, error)
	// LotView is a lot with its record; nil where there is none of that name.
	LotView(ctx context.Context, id string) (*rules.LotSheet, time.Time, error)
	// EnterWritten writes an entry into the record, once however often it is given
	// with the same ID, and words what was written. Its errors are for the keeper
	// to read.
	EnterWritten(ctx context.Context, c lotform.Command) (said string, err error)
}

// maxLotForm bounds what a form sends, bytes: a text of 2,000 characters, at most 12
// bytes each as sent, and the other fields.
const maxLotForm = 64 << 10

// Lots serves the board and the pages of the lots to browsers.
type Lots struct {
	record LotRecord
	site   *site.Site
}

// NewLots makes the pages of the lots of a site.
func NewLots(r LotRecord, at *site.Site) *Lots { return &Lots{r, at} }

// Mount serves GET /lots and /lots/{id} to a browser, GET /open-lot and
// /lots/{id}/entry, and POST /do/lots/ and /do/lots/{id}; all else goes to rest.
func (p *Lots) Mount(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	browser := func(pattern string, show http.HandlerFunc) {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if !Wants(r) || r.URL.Query().Has("format") {
				rest.ServeHTTP(w, r)
				return
			}
			show(w, r)
		})
	}
	browser("GET /lots", p.board)
	browser("GET /lots/{id}", p.lot)
	mux.HandleFunc("GET /open-lot", p.form)
	mux.HandleFunc("GET /lots/{id}/entry", p.form)
	mux.HandleFunc("POST /do/lots/{$}", p.enter)
	mux.HandleFunc("POST /do/lots/{id}", p.enter)
	return mux
}

// notGot answers for a question that the keeper did not answer.
func notGot(w http.ResponseWriter, err error) {
	Harden(w.Header())
	if errors.Is(err, context.DeadlineExceeded) {
		http.Error(w, "the daemon was too busy to answer in time: load the page again", http.StatusServiceUnavailable)
		return
	}
	http.Error(w, err.Error(), http.StatusInternalServerError)
}

func (p *Lots) board(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	lots, now, err := p.record.LotViews(ctx)
	if err != nil {
		notGot(w, err)
		return
	}
	here, gone := board(lots, p.site, now)
	Write(w, r, http.StatusOK, Page{Title: "lots.title", Name: "lots", Site: p.site.Name, Live: true, Styles: []string{"lots.css"}, Data: struct {
		Now        time.Time
		Here, Gone []boardLot
	}{now.In(p.site.Location), here, gone}})
}

// lotPage is what a lot's page shows.
type lotPage struct {
	Lot            boardLot
	Parts          sheet.Parts
	Record         []recordLine
	Likely, Others []kindLink
}

type recordLine struct {
	sheet.RecordLine
	// Correct and Strike lead to the forms, "" where there is nothing to correct.
	Correct, Strike string
}

type kindLink struct {
	Kind book.Kind
	Link string
}

func (p *Lots) lot(w http.ResponseWriter, r *http.Request) {
	s, now, ok := p.find(w, r)
	if !ok {
		return
	}
	parts, err := sheet.PartsOf(s, p.site, now)
	if err != nil {
		notGot(w, err)
		return
	}
	id := s.Lot.ID
	data := lotPage{Lot: newBoardLot(s.LotView, p.site, now), Parts: parts}
	works := access.From(r.Context()).Role >= access.Work
	for i, line := range parts.Record {
		l := recordLine{RecordLine: line}
		if e := s.Lines[i]; works && line.Seq > 0 && e.CorrectedBy == 0 && e.Kind != book.Struck && e.Lot == id {
			l.Correct, l.Strike = entryLink(id, e.Kind, line.Seq), entryLink(id, book.Struck, line.Seq)
		}
		data.Record = append(data.Record, l)
	}
	likely := likelyKinds(s.Lot)
	for _, k := range entryKinds() {
		if l := (kindLink{k, entryLink(id, k, 0)}); slices.Contains(likely, k) {
			data.Likely = append(data.Likely, l)
		} else {
			data.Others = append(data.Others, l)
		}
	}
	Write(w, r, http.StatusOK, Page{Title: id, Name: "lot", Site: p.site.Name, Styles: []string{"lots.css"}, Data: data})
}

// find gives the lot that the path names; else it has answered.
func (p *Lots) find(w http.ResponseWriter, r *http.Request) (*rules.LotSheet, time.Time, bool) {
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	s, now, err := p.record.LotView(ctx, r.PathValue("id"))
	switch {
	case err != nil:
		notGot(w, err)
	case s == nil:
		Write(w, r, http.StatusNotFound, Page{Title: "lots.unknown", Name: "lotunknown", Site: p.site.Name, Data: r.PathValue("id")})
	}
	return s, now, err == nil && s != nil
}

// entryKinds are those that a lot's page offers.
func entryKinds() []book.Kind {
	return slices.DeleteFunc(book.Kinds(), func(k book.Kind) bool { return k == book.Opened || k == book.Struck })
}

// likelyKinds are what is most likely written next of a lot.
func likelyKinds(l *book.Lot) []book.Kind {
	switch {
	case !l.Finished.IsZero():
		return []book.Kind{book.Note}
	case l.Placed.IsZero():
		return []book.Kind{book.Placed, book.Note}
	case l.Stage == lot.Green:
		return []book.Kind{book.Picked, book.Eyed, book.Note}
	case l.Stage == lot.Eyed:
		return []book.Kind{book.Picked, book.Shocked, book.Hatched, book.Moved, book.Note}
	case l.Stage == lot.Hatch && l.HatchLast.IsZero():
		return []book.Kind{book.Picked, book.Hatched, book.Moved, book.Note}
	case l.Stage == lot.Hatch:
		return []book.Kind{book.Picked, book.SwimUp, book.Moved, book.Note}
	case l.FedAt.IsZero():
		return []book.Kind{book.Picked, book.FirstFed, book.Moved, book.Note}
	}
	return []book.Kind{book.Picked, book.Weighed, book.Counted, book.Moved, book.Note}
}

func entryLink(id string, k book.Kind, corrects int64) string {
	q := url.Values{"kind": {string(k)}}
	if corrects > 0 {
		q.Set("corrects", strconv.FormatInt(corrects, 10))
	}
	return lotPath(id) + "/entry?" + q.Encode()
}

// entryPage is a form for an entry.
type entryPage struct {
	Kind         book.Kind
	Lot          string // "" for a new one
	ID           string // of the entry, so that the form sent twice is written once
	Action, Back string
	Corrects     int64
	// Old is what the entry to correct or strike says.
	Old     string
	Refused string
	Fields  []entryField
	Kinds   []kindLink // what it may have been instead
}

// entryField is one field of the form.
type entryField struct {
	lotform.Field
	Label, Hint, Type, Mode, Value string
	Long, Bad                      bool
	Options                        []option
}

// option is one to choose; Key words it where its value does not.
type option struct{ Value, Key string }

// asked is what a form is about.
type asked struct {
	kind     book.Kind
	sheet    *rules.LotSheet // nil for a new lot
	corrects int64
	old      *book.Line // the entry it corrects
	others   []string   // lots that this one may become part of
}

// asks reads what a request is about; false where it has answered.
func (p *Lots) asks(w http.ResponseWriter, r *http.Request) (a asked, ok bool) {
	if access.From(r.Context()).Role < access.Work {
		Harden(w.Header())
		http.Error(w, "sign in as somebody who keeps the record", http.StatusForbidden)
		return a, false
	}
	if a.kind = book.Opened; r.PathValue("id") == "" {
		return a, true
	}
	if a.sheet, _, ok = p.find(w, r); !ok {
		return a, false
	}
	a.kind = book.Kind(r.FormValue("kind"))
	fault := ""
	if s := r.FormValue("corrects"); s != "" {
		a.corrects, _ = strconv.ParseInt(s, 10, 64)
		i := slices.IndexFunc(a.sheet.Lines, func(l book.Line) bool { return l.Seq == a.corrects && l.Lot == a.sheet.Lot.ID })
		if a.corrects < 1 || i < 0 {
			fault = "the lot has no entry with this number: go back to its page"
		} else {
			a.old = &a.sheet.Lines[i]
		}
	}
	switch {
	case !slices.Contains(book.Kinds(), a.kind), a.kind == book.Opened && a.corrects == 0:
		fault = "there is no such kind of entry: go back to the lot's page"
	case a.kind == book.Struck && a.corrects == 0:
		fault = "say which entry to take back: go back to the lot's page"
	}
	if fault != "" {
		Harden(w.Header())
		http.Error(w, fault, http.StatusBadRequest)
		return a, false
	}
	if a.kind == book.Merged {
		lots, _, err := p.record.LotViews(r.Context())
		if err != nil {
			notGot(w, err)
			return a, false
		}
		for _, v := range lots {
			if v.Lot.Finished.IsZero() && v.Lot.ID != a.sheet.Lot.ID || a.old != nil && v.Lot.ID == a.old.Other {
				a.others = append(a.others, v.Lot.ID)
			}
		}
	}
	return a, true
}

func (p *Lots) form(w http.ResponseWriter, r *http.Request) {
	a, ok := p.asks(w, r)
	if !ok {
		return
	}
	written := map[string]string{}
	if a.old != nil && a.kind != book.Struck {
		written = lotform.Values(a.old.Entry, p.site.Location)
	}
	p.ask(w, r, http.StatusOK, a, rand.Text(), func(name string) string { return written[name] }, nil)
}

// enter writes down what a form says. What is refused is shown with what was
// typed.
func (p *Lots) enter(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxLotForm)
	if err := r.ParseForm(); err != nil {
		Harden(w.Header())
		http.Error(w, "the form cannot be read: "+err.Error(), http.StatusBadRequest)
		return
	}
	a, ok := p.asks(w, r)
	if !ok {
		return
	}
	value := r.PostForm.Get
	c, err := lotform.Read(a.kind, func(name string) string {
		if name == "lot" && a.sheet != nil {
			return a.sheet.Lot.ID
		}
		return value(name)
	})
	e := &c.Entry
	e.ID, e.By, e.Corrects = value("id"), access.From(r.Context()).Name, a.corrects
	if a.sheet != nil {
		e.Lot = a.sheet.Lot.ID
	}
	status, said := http.StatusUnprocessableEntity, ""
	if err == nil {
		status = http.StatusConflict
		said, err = p.write(r.Context(), c)
	}
	if err != nil {
		p.ask(w, r, status, a, e.ID, value, err)
		return
	}
	to := "/lots"
	if s, _, err := p.record.LotView(r.Context(), e.Lot); err == nil && s != nil {
		to = lotPath(e.Lot)
	}
	Back(w, r, to, said)
}

func (p *Lots) write(ctx context.Context, c lotform.Command) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	said, err := p.record.EnterWritten(ctx, c)
	if errors.Is(err, context.DeadlineExceeded) {
		err = errors.New("the daemon was too busy to answer in time; it may be written all the same, and is written once if you send this form again")
	}
	return said, err
}

// ask shows the form, with what was refused.
func (p *Lots) ask(w http.ResponseWriter, r *http.Request, status int, a asked, id string, value func(string) string, refused error) {
	data := entryPage{Kind: a.kind, ID: id, Action: "/do/lots/", Back: "/lots", Corrects: a.corrects}
	if a.sheet != nil {
		data.Lot = a.sheet.Lot.ID
		data.Action, data.Back = "/do"+lotPath(data.Lot), lotPath(data.Lot)
		for _, k := range entryKinds() {
			if k != a.kind {
				data.Kinds = append(data.Kinds, kindLink{k, entryLink(data.Lot, k, a.corrects)})
			}
		}
	}
	if a.old != nil {
		data.Old = a.old.At.In(p.site.Location).Format("2 Jan 2006 15:04") + ": " + a.old.Words()
	}
	var fault *lotform.FieldError
	if refused != nil {
		data.Refused = refused.Error()
		errors.As(refused, &fault)
	}
	for _, f := range append(lotform.Fields(a.kind), lotform.Field{Name: "when"}) {
		if f.Name == "lot" && a.sheet != nil || f.Name == "when" && a.kind == book.Struck {
			continue
		}
		x := p.field(f, a, value(f.Name))
		x.Bad = fault != nil && fault.Field == f.Name
		data.Fields = append(data.Fields, x)
	}
	Write(w, r, status, Page{Title: "lots.kind-" + string(a.kind), Name: "lotentry", Site: p.site.Name, Styles: []string{"lots.css"}, Data: data})
}

// field is a field as it is asked.
func (p *Lots) field(f lotform.Field, a asked, value string) entryField {
	x := entryField{Field: f, Label: f.Name, Type: "text", Value: value}
	switch f.Name {
	case "unit", "from", "to":
		x.Options = p.units(f.Name, a)
		if f.Name == "to" || a.kind == book.Placed || a.kind == book.Opened {
			x.Label = "to"
		}
		if !slices.ContainsFunc(x.Options, func(o option) bool { return o.Value == value }) {
			x.Options = append(x.Options, option{Value: value}) // gone from the site file
		}
	case "part":
		for _, part := range book.Parts() {
			x.Options = append(x.Options, option{string(part), "lots.part-" + string(part)})
		}
		if value == "" {
			x.Value = string(nextPart(a.sheet.Lot))
		}
	case "start":
		for _, s := range lot.Stages() {
			x.Options = append(x.Options, option{string(s), "lots.start-" + string(s)})
		}
	case "into":
		x.Options = []option{{"", "lots.opt-choose"}}
		for _, l := range a.others {
			x.Options = append(x.Options, option{Value: l})
		}
	case "text", "why":
		x.Long = true
	case "when", "egg-take":
		x.Type = timeType(value)
		if f.Name == "when" && a.corrects == 0 {
			x.Hint = "lots.h-now"
			if a.kind == book.Opened {
				x.Hint = "lots.h-whenopened"
			}
		}
	case "number", "dead", "eggs", "sample", "fish":
		x.Mode = "numeric"
		if f.Name == "number" {
			switch {
			case a.kind == book.Counted:
				x.Label, x.Hint = "counted", "lots.h-sample"
			case !f.Must:
				x.Hint = "lots.h-all"
			}
		}
		if f.Name == "eggs" {
			x.Hint = "lots.h-sample"
		}
	case "sample-volume", "total-volume", "sample-weight", "total-weight", "weight", "length", "start-units", "base":
		x.Hint = "lots.h-" + f.Name
	}
	return x
}

// nextPart is the part of a hatch that is to come.
func nextPart(l *book.Lot) book.Part {
	switch {
	case l.HatchFirst.IsZero() && l.HatchHalf.IsZero():
		return book.First
	case l.HatchHalf.IsZero():
		return book.Half
	}
	return book.Last
}

// timeType is the type of an input for a time: the browser's own, unless the value
// is one that this cannot hold.
func timeType(value string) string {
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if _, err := time.Parse(layout, value); err == nil || value == "" {
			return "datetime-local"
		}
	}
	return "text"
}

// units are those to choose from: where the lot lies first, if it is taken from
// there.
func (p *Lots) units(field string, a asked) []option {
	var out []option
	into := field == "to" || a.kind == book.Placed || a.kind == book.Opened
	switch {
	case a.kind == book.Placed || a.kind == book.Moved && field == "to":
		out = append(out, option{"", "lots.opt-choose"})
	case a.kind == book.Opened:
		out = append(out, option{"", "lots.opt-later"})
	case a.kind == book.Split && field == "to":
		out = append(out, option{"", "lots.opt-stay"})
	default:
		out = append(out, option{"", "lots.opt-only"})
	}
	if a.sheet != nil && !into {
		for _, h := range a.sheet.Lot.Holdings {
			out = append(out, option{Value: h.Unit})
		}
		if a.corrects == 0 {
			return out
		}
	}
	for i := range p.site.Units {
		u := &p.site.Units[i]
		if u.Kind != site.Spring && u.Kind != site.HeadBox && !slices.Contains(out, option{Value: u.Name}) {
			out = append(out, option{Value: u.Name})
		}
	}
	return out
}
