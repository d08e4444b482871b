package book

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
)

// earliest is before any entry: a time before it is a slip, or a clock that
// was never set.
var earliest = time.Date(1990, 1, 1, 0, 0, 0, 0, time.UTC)

// form says what an entry alone, without any history, lacks to be folded.
func (e Entry) form() error {
	switch {
	case !slices.Contains(Kinds(), e.Kind):
		return fmt.Errorf("there is no kind of entry %q", e.Kind)
	case e.Lot == "":
		return errors.New("say which lot")
	case e.At.Before(earliest):
		return errors.New("the time is before 1990: say when it happened")
	case e.Number < 0 || e.Number > most:
		return fmt.Errorf("%d is no number of eggs or fish; write 1 to %s", e.Number, measure.Group(most))
	case e.Corrects < 0:
		return errors.New("what the site file states is corrected there")
	}
	switch e.Kind {
	case Opened:
		if e.Open == nil {
			return errors.New("say what is known of the lot: its species, egg take and number")
		}
		return e.Open.form(e.At)
	case Placed:
		if e.Unit == "" {
			return errors.New("say which unit they were placed in")
		}
	case Moved:
		if e.To == "" {
			return errors.New("say which unit they were moved to")
		}
	case Split:
		switch {
		case e.Other == "":
			return errors.New("say what the new lot is called")
		case e.Number == 0:
			return errors.New("say how many became the new lot")
		}
	case Merged:
		switch e.Other {
		case "":
			return errors.New("say which lot it became part of")
		case e.Lot:
			return errors.New("a lot cannot become part of itself: say another lot")
		}
	case Picked:
		if e.Number == 0 {
			return errors.New("say how many dead were picked out")
		}
	case Hatched:
		if !slices.Contains(Parts(), e.Part) {
			return errors.New("say how far the hatch has come: first, half or last")
		}
	case Weighed:
		switch s := e.Sample; {
		case s == nil || s.Number < 1 || s.Number > most || !within(float64(s.WeightG), 1e9):
			return errors.New("say how many fish were weighed and what all of them weighed")
		case s.LengthMM != 0 && !within(s.LengthMM, 3000):
			return fmt.Errorf("%g mm is no length of a fish; leave it out if it was not measured", s.LengthMM)
		}
	case Counted:
		if e.Count == nil {
			return errors.New("say how many were counted")
		}
		_, err := e.Count.Value()
		return err
	case Struck:
		if e.Corrects == 0 {
			return errors.New("say the number of the entry to strike")
		}
	case Eyed, Shocked, SwimUp, FirstFed, Transferred, Shipped, Lost, Note:
	}
	return nil
}

// form says what an opening at a time lacks.
func (o *Opening) form(at time.Time) error {
	switch {
	case strings.TrimSpace(o.Species) == "":
		return errors.New("say the species")
	case o.EggTake.Before(earliest):
		return errors.New("say when the eggs were taken; an estimate will do if a note says so")
	case o.EggTake.After(at):
		return errors.New("the lot begins before its egg take: correct one of the two times")
	case !slices.Contains(lot.Stages(), o.Start):
		return errors.New("say the stage it came in: green, eyed, hatch or swim-up")
	// Not >= and <=, so that what is no number fails.
	case !(o.StartUnits >= 0 && o.StartUnits <= 3000):
		return fmt.Errorf("%g degree-days are out of sense; write 0 to 3,000", float64(o.StartUnits))
	case o.StartUnits == 0 && (o.Start == lot.Eyed || o.Start == lot.Hatch):
		return fmt.Errorf("say the degree-days it had gathered before it came, as it came at the stage %s", o.Start)
	case math.IsNaN(float64(o.BaseC)) || o.BaseC < -2 || o.BaseC > 10:
		return fmt.Errorf("units cannot be counted above %g degC; write -2 to 10 degC", float64(o.BaseC))
	}
	_, err := o.Count.Value()
	return err
}

// uses says which fields a kind of entry has, besides the lot, the time, who
// and the text.
var uses = map[Kind]string{
	Opened:      "unit trays opening",
	Placed:      "unit trays number",
	Moved:       "unit to trays number",
	Split:       "unit to trays number other",
	Merged:      "other",
	Eyed:        "",
	Shocked:     "unit number",
	Picked:      "unit number",
	Hatched:     "part",
	SwimUp:      "",
	FirstFed:    "",
	Weighed:     "unit sample",
	Counted:     "unit count",
	Transferred: "unit number place",
	Shipped:     "unit number place",
	Lost:        "unit number",
	Note:        "unit",
	Struck:      "",
}

// style says what a keeper must still say before an entry goes into the
// record. Entries already there are not held to it.
func (e Entry) style() error {
	for _, f := range []struct {
		name string
		set  bool
	}{
		{"unit", e.Unit != ""},
		{"to", e.To != ""},
		{"trays", e.Trays != ""},
		{"number", e.Number != 0},
		{"other", e.Other != ""},
		{"place", e.Place != ""},
		{"part", e.Part != ""},
		{"count", e.Count != nil},
		{"sample", e.Sample != nil},
		{"opening", e.Open != nil},
	} {
		if f.set && !slices.Contains(strings.Fields(uses[e.Kind]), f.name) {
			return fmt.Errorf("an entry %q says nothing of %q: leave that out", e.Kind, f.name)
		}
	}
	texts := []text{
		{"the entry's ID", e.ID, 100, true},
		{"who says so", e.By, 100, true},
		{"the unit", e.Unit, 200, false},
		{"the unit moved to", e.To, 200, false},
		{"the trays", e.Trays, 100, false},
		{"where they went", e.Place, 200, e.Kind == Transferred || e.Kind == Shipped},
		{"the text", e.Text, 2000, e.Kind == Lost || e.Kind == Note || e.Kind == Struck},
	}
	if o := e.Open; o != nil {
		texts = append(texts, text{"the species", o.Species, 100, true}, text{"the strain", o.Strain, 100, false}, text{"the source", o.Source, 200, false})
	}
	for _, t := range texts {
		if err := t.check(); err != nil {
			return err
		}
	}
	switch e.Kind {
	case Opened:
		return lotName(e.Lot)
	case Split:
		return lotName(e.Other)
	default:
		return nil
	}
}

// text is something written by a keeper.
type text struct {
	what, value string
	most        int
	needed      bool
}

func (t text) check() error {
	switch n := utf8.RuneCountInString(t.value); {
	case t.needed && strings.TrimSpace(t.value) == "":
		if t.what == "the text" {
			return errors.New("say why, or what happened, in a few words")
		}
		return fmt.Errorf("say %s", t.what)
	case n > t.most:
		return fmt.Errorf("%s has %s characters; write at most %s", t.what, measure.Group(n), measure.Group(t.most))
	case !utf8.ValidString(t.value) || strings.ContainsFunc(t.value, unprintable):
		return fmt.Errorf("%s has a line break or another character that cannot be printed in a line: leave it out", t.what)
	}
	return nil
}

// unprintable finds what would break a line of the record or turn its reading
// order around.
func unprintable(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Zl, unicode.Zp, unicode.Bidi_Control)
}

// lotName checks the ID of a new lot.
func lotName(id string) error {
	bad := func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune(" -_./", r)
	}
	if n := utf8.RuneCountInString(id); n == 0 || n > 40 || strings.ContainsFunc(id, bad) || strings.TrimSpace(id) != id {
		return fmt.Errorf("a lot cannot be called %q: write 1 to 40 letters, digits, spaces and - _ . /", id)
	}
	return nil
}
