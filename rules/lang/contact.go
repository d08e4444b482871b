package lang

import (
	"fmt"
	"slices"
	"strings"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/reading"
)

// contact reads a rule on a switch: mains, a float, a door, a generator.
//
//	contact "mains" {
//	  covers {
//	    probes = ["mains"]
//	  }
//	  alarm_when = "open"              # or "closed"
//	  means      = "mains power lost"  # what a keeper is woken with
//	  ...
//	}
//
// A contact says what is so until it says otherwise, and many speak only when
// it changes: so it returns at once unless off_delay is written.
func (p *parser) contact(b *hclread.Block, r *Rule) bool {
	r.OffDelay = 0
	ok := b.Need("alarm_when", `"open"`)
	if ok {
		var s string
		if s, ok = b.Choice("alarm_when", []string{"open", "closed"}); s == "closed" {
			r.AlarmWhen = reading.Closed
		}
	}
	r.Means = strings.TrimSuffix(p.words(b, "means", `"mains power lost"`), ".")
	return ok && r.Means != ""
}

// someOf reads which of the quantities that a rule judges it is kept to, where it
// judges several: quantities = ["flow", "oxygen"]. Oxygen covers both its units.
func someOf(c *hclread.Block, quantities []reading.Quantity) []reading.Quantity {
	if len(quantities) < 2 || !c.Has("quantities") {
		return quantities
	}
	known := make([]string, len(quantities))
	for i, q := range quantities {
		known[i] = q.String()
	}
	names, _ := c.KnownNames("quantities", "quantity", known)
	var out []reading.Quantity
	for i, q := range quantities {
		if slices.ContainsFunc(names, func(n hclread.Name) bool {
			return n.Value == known[i] || n.Value == reading.Oxygen.String() && q == reading.Saturation
		}) {
			out = append(out, q)
		}
	}
	if len(out) == 0 {
		return quantities // a fault that is said
	}
	return out
}

// namedProbes reads which probes a rule covers by their own names.
func (p *parser) namedProbes(c *hclread.Block, r *Rule, quantities []reading.Quantity) []Watch {
	if r.Kind == alarm.MissedChore || r.Kind == alarm.Condition {
		return nil
	}
	ids := make([]string, len(p.site.Probes))
	for i := range p.site.Probes {
		ids[i] = string(p.site.Probes[i].ID)
	}
	names, _ := c.KnownNames("probes", "probe", ids)
	var out []Watch
	for _, n := range names {
		pr, _ := p.site.Probe(reading.ProbeID(n.Value))
		if !slices.Contains(quantities, pr.Quantity) {
			c.Fault(n.Range, "Wrong kind of probe", fmt.Sprintf("Probe %q measures %s, which %s does not judge. Name one whose quantity is %s, or delete this one.", pr.ID, pr.Quantity, r.Kind, quantityList(quantities)))
			continue
		}
		out = append(out, Watch{Unit: pr.At, Probe: pr.ID})
	}
	return out
}

func quantityList(qs []reading.Quantity) string {
	names := make([]string, len(qs))
	for i, q := range qs {
		names[i] = q.String()
	}
	return strings.Join(names, " or ")
}
