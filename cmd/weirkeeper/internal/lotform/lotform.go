// Package lotform owns how an entry of the lots' record is read from what a keeper
// has written in named fields: the flags of a command or a form of the page. It
// judges no entry; package book does.
package lotform

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
)

// Field is one thing that an entry of a kind says. Its name is that of the
// command's flag or, in lower case, of the command's word.
type Field struct {
	Name string
	// Must: it may not be left out.
	Must bool
}

// countFields say how many there are by a sample.
const countFields = "sample sample-volume total-volume sample-weight total-weight"

// fields are those of each kind; a star marks what may not be left out.
var fields = map[book.Kind]string{
	book.Opened:      "lot* species* egg-take* eggs " + countFields + " unit trays strain source start start-units base",
	book.Placed:      "unit* number trays",
	book.Moved:       "to* from number trays",
	book.Split:       "newlot* number* from to trays",
	book.Merged:      "into*",
	book.Eyed:        "",
	book.Shocked:     "dead unit",
	book.Picked:      "dead* unit",
	book.Hatched:     "part*",
	book.SwimUp:      "",
	book.FirstFed:    "",
	book.Weighed:     "fish* weight* length unit",
	book.Counted:     "number " + countFields + " unit",
	book.Transferred: "to-place* number unit",
	book.Shipped:     "to-place* number unit",
	book.Lost:        "number* why* unit",
	book.Note:        "text*",
	book.Struck:      "why*",
}

// Fields lists the fields of a kind in the order in which they are asked, but for
// the lot itself (where it is no new one), the time and who.
func Fields(kind book.Kind) []Field {
	var out []Field
	for _, name := range strings.Fields(fields[kind]) {
		short, must := strings.CutSuffix(name, "*")
		out = append(out, Field{short, must})
	}
	return out
}

// FieldError says what is wrong with what was written in a field.
type FieldError struct {
	Field  string
	Reason string
}

func (e *FieldError) Error() string { return e.Reason }

// Command is an entry as it was written.
type Command struct {
	Entry book.Entry
	// When and EggTake are times as the keeper wrote them, "" for none.
	When, EggTake string
}

// Read makes an entry of a kind out of what value gives for each field, "" for
// one that is left empty. The entry has neither ID, lot (unless it is a new one)
// nor who. Errors: *FieldError.
func Read(kind book.Kind, value func(field string) string) (Command, error) {
	r := reader{value: func(name string) string { return strings.TrimSpace(value(name)) }}
	c := Command{When: r.value("when")}
	e := &c.Entry
	e.Kind = kind
	has := make(map[string]bool)
	for _, f := range Fields(kind) {
		has[f.Name] = true
		if f.Must && r.value(f.Name) == "" {
			r.fail(f.Name, "this cannot be left empty")
		}
	}
	text := func(name string) string {
		if !has[name] {
			return ""
		}
		return r.value(name)
	}
	e.Unit, e.To, e.Trays, e.Place, e.Part = text("unit"), text("to"), text("trays"), text("to-place"), book.Part(text("part"))
	e.Text = text("why") + text("text")
	e.Other = text("newlot") + text("into")
	if has["from"] {
		e.Unit = r.value("from")
	}
	if has["dead"] {
		e.Number = r.number("dead", false)
	}
	switch kind {
	case book.Opened:
		e.Lot, c.EggTake = r.value("lot"), r.value("egg-take")
		start := lot.Stage(r.value("start"))
		if start == "" {
			start = lot.Green
		}
		e.Open = &book.Opening{
			Species: r.value("species"), Strain: r.value("strain"), Source: r.value("source"), Start: start,
			StartUnits: measure.DegreeDays(r.amount("start-units", measure.DegreeDayUnit, "220 degree-days")),
			BaseC:      measure.TempC(r.amount("base", measure.DegC, "0 degC")), Count: r.count("eggs"),
		}
	case book.Counted:
		count := r.count("number")
		e.Count = &count
	case book.Weighed:
		e.Sample = &book.Sample{
			Number: r.number("fish", false), WeightG: measure.MassG(r.amount("weight", Mass, "31 g")), LengthMM: r.amount("length", MM, "55 mm"),
		}
	default:
		if has["number"] {
			e.Number = r.number("number", kind != book.Split && kind != book.Lost)
		}
	}
	return c, r.err()
}

// reader reads fields and keeps the first fault.
type reader struct {
	value func(string) string
	fault *FieldError
}

func (r *reader) err() error {
	if r.fault == nil {
		return nil
	}
	return r.fault
}

func (r *reader) fail(field, reason string) {
	if r.fault == nil {
		r.fault = &FieldError{field, reason}
	}
}

func (r *reader) number(field string, all bool) int {
	s := r.value(field)
	if s == "" {
		return 0
	}
	n, err := Number(s, 0, all)
	if err != nil {
		r.fail(field, err.Error())
	}
	return n
}

func (r *reader) amount(field string, u measure.Unit, example string) float64 {
	s := r.value(field)
	if s == "" {
		return 0
	}
	v, err := Amount(s, u, example)
	if err != nil {
		r.fail(field, err.Error())
	}
	return v
}

// count is the count in the one way in which it was given.
func (r *reader) count(direct string) book.Count {
	var set []string
	for _, name := range append([]string{direct}, strings.Fields(countFields)...) {
		if r.value(name) != "" {
			set = append(set, name)
		}
	}
	switch strings.Join(set, " ") {
	case direct:
		return book.Count{Method: book.Direct, Number: r.number(direct, false)}
	case "sample sample-volume total-volume":
		return book.Count{
			Method: book.ByVolume, SampleNumber: r.number("sample", false),
			SampleAmount: r.amount("sample-volume", ML, "50 mL"), TotalAmount: r.amount("total-volume", ML, "1240 mL"),
		}
	case "sample sample-weight total-weight":
		return book.Count{
			Method: book.ByWeight, SampleNumber: r.number("sample", false),
			SampleAmount: r.amount("sample-weight", Mass, "8.2 g"), TotalAmount: r.amount("total-weight", Mass, "3.1 kg"),
		}
	}
	r.fail(direct, "say in one way how many there are: the number alone, or a sample with its volume and the volume of all, or a sample with its weight and the weight of all")
	return book.Count{}
}

// Values is what the fields of an entry would have to say to give it again, times
// in the zone: a form is filled with it to correct the entry.
func Values(e book.Entry, zone *time.Location) map[string]string {
	v := map[string]string{
		"lot": e.Lot, "unit": e.Unit, "from": e.Unit, "to": e.To, "trays": e.Trays, "to-place": e.Place, "part": string(e.Part),
		"why": e.Text, "text": e.Text, "newlot": e.Other, "into": e.Other, "when": Local(e.At, zone),
	}
	if e.Number > 0 {
		v["number"], v["dead"] = strconv.Itoa(e.Number), strconv.Itoa(e.Number)
	}
	amount := func(name string, x float64, unit string) {
		if x != 0 {
			v[name] = strconv.FormatFloat(x, 'f', -1, 64) + " " + unit
		}
	}
	count := func(c book.Count, direct string) {
		switch c.Method {
		case book.Direct:
			v[direct] = strconv.Itoa(c.Number)
		case book.ByVolume:
			v["sample"] = strconv.Itoa(c.SampleNumber)
			amount("sample-volume", c.SampleAmount, "mL")
			amount("total-volume", c.TotalAmount, "mL")
		case book.ByWeight:
			v["sample"] = strconv.Itoa(c.SampleNumber)
			amount("sample-weight", c.SampleAmount, "g")
			amount("total-weight", c.TotalAmount, "g")
		}
	}
	if o := e.Open; o != nil {
		v["species"], v["strain"], v["source"], v["start"], v["egg-take"] = o.Species, o.Strain, o.Source, string(o.Start), Local(o.EggTake, zone)
		amount("start-units", float64(o.StartUnits), "degree-days")
		amount("base", float64(o.BaseC), "degC")
		count(o.Count, "eggs")
	}
	if e.Count != nil {
		count(*e.Count, "number")
	}
	if s := e.Sample; s != nil {
		v["fish"] = strconv.Itoa(s.Number)
		amount("weight", float64(s.WeightG), "g")
		amount("length", s.LengthMM, "mm")
	}
	return v
}

// Local writes a time in the zone as a form has it, "2026-11-20T08:30"; with
// seconds where it has some, and with the zone in the second of two hours of the
// same name.
func Local(t time.Time, zone *time.Location) string {
	t = t.In(zone)
	layout := "2006-01-02T15:04"
	if t.Second() != 0 {
		layout = "2006-01-02T15:04:05"
	}
	s := t.Format(layout)
	if back, err := time.ParseInLocation(layout, s, zone); err != nil || !back.Equal(t.Truncate(time.Second)) {
		return t.Format(time.RFC3339)
	}
	return s
}

// The units in which the record holds amounts.
var (
	ML   = mustUnit("mL")
	MM   = mustUnit("mm")
	Mass = measure.Mass.Base()
)

func mustUnit(name string) measure.Unit {
	u, err := measure.ParseUnit(name)
	if err != nil {
		panic(err)
	}
	return u
}

var grouped = regexp.MustCompile(`^([0-9]{1,9}|[0-9]{1,3}(,[0-9]{3}){1,2})$`)

// Number reads a whole number from least, which may be written 12,400. Where all
// is allowed, "all" is 0, which the record takes for all.
func Number(s string, least int, all bool) (int, error) {
	if all && s == "all" {
		return 0, nil
	}
	n, err := strconv.Atoi(strings.ReplaceAll(s, ",", ""))
	if err != nil || !grouped.MatchString(s) || n < least {
		or := ""
		if all {
			or = ", or all"
		}
		return 0, fmt.Errorf("%q is not a whole number from %d to 999,999,999%s; write it like 12400 or 12,400", s, least, or)
	}
	return n, nil
}

// Amount reads an amount in any unit of u's dimension and gives it in u. Only
// temperatures may be 0 or below.
func Amount(s string, u measure.Unit, example string) (float64, error) {
	a, err := measure.Parse(s)
	dim := u.Dimension()
	var unknown *measure.UnknownUnitError
	switch {
	case errors.Is(err, measure.ErrNoUnit):
		return 0, fmt.Errorf("%q has no unit; write it like %q (%s)", s, example, strings.Join(dim.UnitNames(), ", "))
	case errors.As(err, &unknown): // whose suggestion may measure something else
		return 0, fmt.Errorf("there is no unit %q; write it like %q (%s)", unknown.Name, example, strings.Join(dim.UnitNames(), ", "))
	case err != nil:
		return 0, fmt.Errorf("%w; write it like %q (%s)", err, example, strings.Join(dim.UnitNames(), ", "))
	case a.Unit.Dimension() != dim:
		return 0, fmt.Errorf("%q is an amount of %s, not of %s; write it like %q", s, a.Unit.Dimension(), dim, example)
	case dim != measure.Temperature && a.Value <= 0:
		return 0, fmt.Errorf("%q is not above 0; write it like %q", s, example)
	}
	// 50 mL are 50 in the record and not 50.00000000000001, whatever the way
	// through the base unit.
	return math.Round(u.FromBase(a.Base())*1e6) / 1e6, nil
}
