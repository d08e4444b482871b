package book

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
)

// Refusal is why an entry is not taken into the record, in words for the
// keeper.
type Refusal struct {
	Reason string
}

func (r *Refusal) Error() string { return r.Reason }

func refuse(format string, args ...any) error { return &Refusal{Reason: fmt.Sprintf(format, args...)} }

// ahead is how far an entry's time may lie ahead of now: the clocks of two
// machines differ a little.
const ahead = time.Minute

// Check says whether an entry may be written now. Without a Seq it is taken to
// be the next one. The warnings are what the keeper should think over; they do
// not hinder the entry.
// Errors: *Refusal, when it is not whole or would make the history impossible.
func (b *Book) Check(e Entry, now time.Time) (warnings []string, err error) {
	if e.Seq == 0 {
		e.Seq = 1
		if n := len(b.rows); n > 0 {
			e.Seq = max(b.rows[n-1].Seq+1, 1)
		}
	}
	if e.Lot == "" && e.Corrects > 0 && b.bySeq[e.Corrects] == nil {
		return nil, refuse("there is no entry %d to correct or strike; the record sheet of a lot gives each line its number", e.Corrects)
	}
	if err := e.form(); err != nil {
		return nil, &Refusal{err.Error()}
	}
	if err := e.style(); err != nil {
		return nil, &Refusal{err.Error()}
	}
	if e.At.After(now.Add(ahead)) {
		return nil, refuse("%s lies in the future; now is %s", b.when(e.At), b.when(now))
	}
	if err := b.units(e); err != nil {
		return nil, err
	}
	after := b.With(e)
	if err := b.broken(after, e.Seq); err != nil {
		return nil, err
	}
	return b.notes(after), nil
}

// broken finds what an entry has made impossible: itself, or another.
func (b *Book) broken(after *Book, seq int64) error {
	type key struct {
		seq int64
		lot string
	}
	before := make(map[key]bool)
	for _, p := range b.Problems() {
		before[key{p.Seq, p.Lot}] = true
	}
	var others []*row
	for _, r := range after.rows {
		switch {
		case r.Problem == "" || r.CorrectedBy != 0 || before[key{r.Seq, r.Lot}]:
		case r.Seq == seq:
			return &Refusal{r.Problem}
		default:
			others = append(others, r)
		}
	}
	if len(others) == 0 {
		return nil
	}
	slices.SortFunc(others, inTime)
	first, more := others[0], ""
	if n := len(others) - 1; n > 0 {
		more = fmt.Sprintf(" (and so for %d more)", n)
	}
	return refuse("%s of %s, %s, would no longer fit: %s%s", first.name(), b.when(first.At), first.what(), first.Problem, more)
}

// notes lists the new warnings, and what holds again.
func (b *Book) notes(after *Book) []string {
	said := make(map[cause]bool)
	for _, s := range b.states {
		for _, c := range s.causes {
			said[c] = true
		}
	}
	var out []string
	for _, l := range after.lots {
		for i, c := range after.states[l.ID].causes {
			if !said[c] {
				said[c] = true
				out = append(out, l.Warnings[i])
			}
		}
	}
	for _, r := range b.rows {
		if now := after.bySeq[r.Seq]; r.CorrectedBy != 0 && now != nil && now.CorrectedBy == 0 {
			out = append(out, fmt.Sprintf("%s of %s holds again: %s", now.name(), b.when(now.At), now.what()))
		}
	}
	return out
}

// units checks the names of an entry's units. Fish may be taken from a unit
// that the site file no longer has, but not laid into one.
func (b *Book) units(e Entry) error {
	var into, from string
	switch e.Kind {
	case Opened, Placed:
		into = e.Unit
	default:
		into, from = e.To, e.Unit
	}
	if into == from {
		into = "" // they stay
	}
	var names []string
	for i := range b.o.Units {
		switch u := &b.o.Units[i]; {
		case u.Kind != site.Spring && u.Kind != site.HeadBox:
			names = append(names, u.Name)
		case u.Name == into:
			return refuse("%s is a %s, no place for a lot: say the stack, trough or raceway", u.Name, u.Kind)
		}
	}
	known := func(name string) bool { return name == "" || slices.Contains(names, name) }
	named := func(name string) bool {
		return slices.ContainsFunc(b.rows, func(r *row) bool { return r.Unit == name || r.To == name })
	}
	if old := b.bySeq[e.Corrects]; e.Corrects != 0 && old != nil && (into == old.Unit || into == old.To) {
		into = ""
	}
	for _, name := range []string{into, from} {
		if !known(name) && (name == into || !named(name)) {
			return refuse("there is no unit %q%s", name, near(name, names))
		}
	}
	return nil
}

// near ends a sentence with the nearest known name, else with up to 8 of them.
func near(name string, known []string) string {
	if s := measure.Suggest(name, known); s != "" {
		return fmt.Sprintf("; did you mean %q?", s)
	}
	slices.Sort(known)
	switch n := len(known); {
	case n == 0:
		return ""
	case n > 8:
		return fmt.Sprintf("; there are %s and %d more", strings.Join(known[:8], ", "), n-8)
	}
	return "; there are " + and(known)
}
