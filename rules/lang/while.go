package lang

import (
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/site"
)

// While is what holds in place of a rule's own setpoint for some contents of
// the unit, some hours of the day, or both. Of several that fit, the last one
// written counts.
type While struct {
	// Holding are the contents it is for; empty is for all.
	Holding []site.Content
	// From and To are minutes after local midnight, half-open and over
	// midnight if From > To; both 0 is all day.
	From, To int
	// Off: the rule does not watch then.
	Off bool
	// Rule is the whole rule with the other setpoint; nil when Off.
	Rule *Rule
}

// Fits reports whether it holds for a content ("" when nothing is known of it)
// at a minute of the day.
func (w *While) Fits(c site.Content, minute int) bool {
	if len(w.Holding) > 0 && !slices.Contains(w.Holding, c) {
		return false
	}
	switch {
	case w.From == w.To:
		return true
	case w.From < w.To:
		return minute >= w.From && minute < w.To
	}
	return minute >= w.From || minute < w.To
}

// life reads how an alarm of the rule goes on after it was answered or is over.
func (p *parser) life(b *hclread.Block, r *Rule) {
	r.Latch, _ = b.Bool("latch")
	if r.Latch && r.Priority == alarm.Note {
		b.Fault(b.Rng("latch"), "Nobody to reset it", "A note is only written down and nobody is told, so nobody would reset it. Delete latch, or choose another priority.")
	}
	if r.Priority == alarm.CallOut {
		r.ReAlarm = DefaultReAlarm
	}
	if !b.Has("re_alarm") {
		return
	}
	d, ok := b.Duration("re_alarm")
	switch {
	case !ok:
	case r.Priority != alarm.CallOut:
		b.Fault(b.Rng("re_alarm"), "Only for call-outs", "What waits for the morning is told then and not again. Delete the line, or choose priority = \"call-out\".")
	case d < 5*time.Minute || d > 24*time.Hour:
		b.Fault(b.Rng("re_alarm"), "Time out of sense", `Write for how long an answer silences trouble that goes on, between "5 min" and "24 h". "1 h" is usual.`)
	default:
		r.ReAlarm = d
	}
}

// varied are the kinds that may have while blocks: those with a setpoint that
// depends on what is in the water, not on the water's own past.
var varied = []alarm.Kind{alarm.LowFlow, alarm.HighFlow, alarm.LowOxygen, alarm.HighOxygen, alarm.TemperatureBand, alarm.FromSpring}

// whiles reads the while blocks of a rule after all else; sound says that the
// rest of it is.
func (p *parser) whiles(b *hclread.Block, k blockKind, r *Rule, sound bool) bool {
	if !slices.Contains(varied, k.kind) {
		return true
	}
	blocks := b.Blocks("while")
	if !sound {
		return true // what they would change is not known
	}
	var contents []string
	for _, c := range site.Contents() {
		contents = append(contents, string(c))
	}
	all := true
	for _, w := range blocks {
		var out While
		names, ok := w.KnownNames("holding", "content", contents)
		for _, n := range names {
			out.Holding = append(out.Holding, site.Content(n.Value))
		}
		ok = ok || !w.Has("holding")
		if len(w.Labels) > 0 {
			w.Fault(w.LabelRanges[0], "No name here", `A while block has no name. Write what it is for inside: while { holding = ["eggs"] ... }.`)
			ok = false
		}
		switch from, to := w.Has("from"), w.Has("to"); {
		case from != to:
			w.Fault(w.DefRange(), "Half of the hours", `Write both hours, such as from = "22:00" and to = "05:00".`)
			ok = false
		case from:
			var okFrom, okTo bool
			out.From, okFrom = w.HourOfDay("from")
			out.To, okTo = w.HourOfDay("to")
			ok = ok && okFrom && okTo
			if okFrom && okTo && out.From == out.To {
				w.Fault(w.Rng("to"), "No time at all", "From and to are the same hour. Write when it ends, or delete both for all day.")
				ok = false
			}
		case !w.Has("holding"):
			w.Fault(w.DefRange(), "While what", fmt.Sprintf("Say for which contents or hours it is: holding = [\"eggs\"], from = \"22:00\" and to = \"05:00\", or both. Contents are %s.", list(contents)))
			ok = false
		}
		out.Off, _ = w.Bool("off")
		if !out.Off {
			v := *r
			v.Whiles = nil
			v.Watches = slices.Clone(r.Watches)
			def := w.DefRange()
			v.At = fmt.Sprintf("%s:%d", filepath.Base(def.Filename), def.Start.Line)
			ok = k.read(p, w, &v) && ok
			out.Rule = &v
		}
		w.Done()
		if ok {
			r.Whiles = append(r.Whiles, out)
		}
		all = all && ok
	}
	return all
}
