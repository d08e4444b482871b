// Package status is the state of the hatchery as a whole, and its wording in
// plain text for a terminal or a text page. State is said in words; nothing
// depends on colour.
package status

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/rules"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Status is the state of the hatchery at one moment.
type Status struct {
	Now    time.Time
	Site   *site.Site
	Probes []rules.ProbeView
	Lots   []rules.LotView
	// Alarms are those not normal, worst first.
	Alarms []rules.AlarmView
	// Coming are the notices of what draws near in the lots.
	Coming []rules.AlarmView
	// Shelved and Out are the acts by which alarms are shelved and units out of
	// service.
	Shelved, Out []act.Act
	// Pause is the act by which the whole site is paused; its Until is over
	// where it is not.
	Pause act.Act
	// Cleaning are the cleanings that nobody has said are finished.
	Cleaning []act.Cleaning
	// Chores is how the chores stand that a rule watches.
	Chores []rules.ChoreView
	// Failing: the record cannot be written at the moment.
	Failing bool
}

// Active counts the alarms whose trouble is there now, by priority.
func (s *Status) Active() map[alarm.Priority]int {
	n := make(map[alarm.Priority]int)
	for _, a := range s.Alarms {
		if a.State.Active() {
			n[a.Priority]++
		}
	}
	return n
}

// Write words the whole state: what needs a human first, then the water in the
// order it flows, then the lots.
func (s *Status) Write(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s\n\n", s.Site.Name, s.local(s.Now))
	if s.Now.Before(s.Pause.Until) {
		until := act.Clock(s.Pause.Until, s.Now, s.Site.Location)
		fmt.Fprintf(&b, "PAUSED UNTIL %s: NOBODY IS CALLED, WHATEVER HAPPENS TO THE WATER.\n  By %s since %s: %s\n  Sooner with: weirkeeper resume --by YOUR-NAME\n\n",
			strings.ToUpper(until), s.Pause.By, act.Clock(s.Pause.At, s.Now, s.Site.Location), s.Pause.Why)
	}
	if s.Failing {
		b.WriteString("THE RECORD CANNOT BE WRITTEN. See the log.\n\n")
	}
	s.alarms(&b)
	s.cleaning(&b)
	s.aside(&b)
	s.water(&b)
	s.coming(&b)
	s.lots(&b)
	_, err := io.WriteString(w, b.String())
	return err
}

func (s *Status) coming(b *strings.Builder) {
	if len(s.Coming) == 0 {
		return
	}
	b.WriteString("Coming up\n")
	for _, a := range s.Coming {
		fmt.Fprintf(b, "  %s: %s\n", a.Trouble, a.Detail)
	}
	b.WriteByte('\n')
}

func (s *Status) local(t time.Time) string {
	return t.In(s.Site.Location).Format("Mon 2 Jan 2006 15:04")
}

func (s *Status) alarms(b *strings.Builder) {
	if len(s.Alarms) == 0 {
		b.WriteString("No alarm stands.\n\n")
		return
	}
	b.WriteString("Alarms\n")
	stands := make(map[alarm.Key]bool, len(s.Alarms))
	for _, a := range s.Alarms {
		stands[a.Key] = true
	}
	for _, a := range s.Alarms {
		if a.Cause != "" && stands[a.Cause] {
			continue // under its cause
		}
		fmt.Fprintf(b, "  [%s] %s\n", a.Priority, trouble(a))
		if a.Left != "" {
			fmt.Fprintf(b, "      %s\n", a.Left)
		}
		if a.Hidden != "" {
			fmt.Fprintf(b, "      nobody is called: %s\n", a.Hidden)
		}
		what := "answer with: weirkeeper ack --by YOUR-NAME"
		switch a.State {
		case alarm.LatchedAcknowledged:
			what = "let it go with: weirkeeper reset --by YOUR-NAME"
		case alarm.Acknowledged:
			what = "answered; answer again with: weirkeeper ack --by YOUR-NAME"
		default:
		}
		fmt.Fprintf(b, "      %s, since %s\n      %s %q\n", a.State, s.local(a.Since), what, string(a.Key))
		s.follows(b, a, "      ")
	}
	b.WriteByte('\n')
}

// trouble words an alarm with its value, where that is known.
func trouble(a rules.AlarmView) string {
	if a.Detail == "" {
		return a.Trouble
	}
	return a.Trouble + ": " + a.Detail
}

// follows words what follows from an alarm, a line each and indented: it is
// answered with its cause, but for what came long after that answer.
func (s *Status) follows(b *strings.Builder, cause rules.AlarmView, indent string) {
	for _, a := range s.Alarms {
		if a.Cause != cause.Key {
			continue
		}
		fmt.Fprintf(b, "%sfollows: [%s] %s, %s, since %s\n", indent, a.Priority, trouble(a), a.State, s.local(a.Since))
		if a.Left != "" {
			fmt.Fprintf(b, "%s    %s\n", indent, a.Left)
		}
		if a.Hidden != "" {
			fmt.Fprintf(b, "%s    nobody is called: %s\n", indent, a.Hidden)
		}
		if a.State == alarm.Unacknowledged && cause.State != alarm.Unacknowledged {
			fmt.Fprintf(b, "%s    answer with: weirkeeper ack --by YOUR-NAME %q\n", indent, string(a.Key))
		}
		s.follows(b, a, indent+"    ")
	}
}

// aside words what people put aside: nobody is called for it.
func (s *Status) cleaning(b *strings.Builder) {
	if len(s.Cleaning) == 0 {
		return
	}
	b.WriteString("Being cleaned\n")
	for _, c := range s.Cleaning {
		clock := func(t time.Time) string { return act.Clock(t, s.Now, s.Site.Location) }
		until := "flow alarms call nobody until " + clock(c.Start.Until)
		if !c.Going(s.Now) {
			until = "its time is over since " + clock(c.Start.Until) + ", flow alarms call out"
		}
		fmt.Fprintf(b, "  %s, by %s since %s; %s\n      when it is clean: weirkeeper clean finish --by YOUR-NAME %q\n", c.Start.Unit, c.Start.By, clock(c.Start.At), until, c.Start.Unit)
	}
	b.WriteByte('\n')
}

func (s *Status) aside(b *strings.Builder) {
	if len(s.Shelved)+len(s.Out) == 0 {
		return
	}
	b.WriteString("Put aside: nobody is called for these\n")
	clock := func(t time.Time) string { return act.Clock(t, s.Now, s.Site.Location) }
	why := func(a act.Act) string {
		if a.Why == "" {
			return ""
		}
		return ": " + a.Why
	}
	for _, a := range s.Out {
		fmt.Fprintf(b, "  %s is out of service since %s, by %s%s\n      back in with: weirkeeper service in --by YOUR-NAME %q\n", a.Unit, clock(a.At), a.By, why(a), a.Unit)
	}
	for _, a := range s.Shelved {
		fmt.Fprintf(b, "  %s is shelved until %s, by %s%s\n      sooner with: weirkeeper unshelve --by YOUR-NAME %q\n", a.Alarm, clock(a.Until), a.By, why(a), string(a.Alarm))
	}
	b.WriteByte('\n')
}

func (s *Status) water(b *strings.Builder) {
	b.WriteString("Water\n")
	tw := tabwriter.NewWriter(b, 0, 4, 2, ' ', 0)
	for _, u := range append(slices.Clone(s.Site.Units), site.Unit{}) {
		cells, any := make([]string, 0, 4), false
		for _, q := range reading.Quantities() {
			var here []string
			for _, p := range s.Probes {
				if p.Probe.At == u.Name && p.Probe.Quantity == q {
					here = append(here, s.value(p))
					any = true
				}
			}
			cells = append(cells, strings.Join(here, " / "))
		}
		if any {
			if u.Name == "" {
				u.Name = "site" // contacts of the whole site
			}
			fmt.Fprintln(tw, strings.TrimRight("  "+u.Name+"\t"+strings.Join(cells, "\t"), "\t"))
		}
	}
	_ = tw.Flush() // a strings.Builder takes everything
	b.WriteByte('\n')
}

// value words a probe's newest value, with its age where it is not fresh.
func (s *Status) value(p rules.ProbeView) string {
	name := p.Probe.Quantity.String()
	if p.Probe.Quantity == reading.Contact {
		name = string(p.Probe.ID)
	}
	switch {
	case !p.Heard:
		return name + " not heard yet"
	case p.Silent:
		return fmt.Sprintf("%s silent (was %s)", name, s.Site.Format(p.Probe.Quantity, p.Last.Value))
	}
	v := s.Site.Format(p.Probe.Quantity, p.Last.Value)
	if p.Probe.Quantity == reading.Oxygen {
		v += " oxygen"
	}
	if p.Suspect != "" {
		v += " (suspect: " + p.Suspect + ")"
	}
	if p.Probe.Quantity == reading.Contact {
		v = name + " " + v
	}
	return v
}

func (s *Status) lots(b *strings.Builder) {
	if len(s.Lots) == 0 {
		return
	}
	b.WriteString("Lots (more: weirkeeper lot list)\n")
	for _, l := range s.Lots {
		if l.Lot.Finished.IsZero() {
			fmt.Fprintf(b, "  %s\n", sheet.Line(l, s.Site))
		}
	}
}
