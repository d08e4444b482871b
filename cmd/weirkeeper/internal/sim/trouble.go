package sim

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Kind is what goes wrong.
type Kind string

// The kinds of trouble.
const (
	ScreenClog  Kind = "screen-clog"
	SpringFail  Kind = "spring-fail"
	StandpipeUp Kind = "standpipe-up"
	OxygenLow   Kind = "oxygen-low"
	ProbeFrozen Kind = "probe-frozen"
	ProbeDrift  Kind = "probe-drift"
	ProbeSilent Kind = "probe-silent"
	PowerCut    Kind = "power-cut"
)

// place is what a trouble's Where names.
type place string

const (
	nowhere place = ""
	atUnit  place = "unit"
	atProbe place = "probe"
	// inSection is a section of the site.
	inSection place = "section"
)

var kinds = []struct {
	kind     Kind
	where    place
	severity float64 // default; 0 for a kind that has none
	about    string
}{
	{ScreenClog, nowhere, 0.5, "the spring's flow sinks for a third of the time, stays down, and comes back when the intake is cleared at the end"},
	{SpringFail, nowhere, 0.8, "the spring's flow sinks through the whole time and stays down"},
	{StandpipeUp, atUnit, 1, "the flow through one unit stops"},
	{OxygenLow, atUnit, 0.5, "one unit loses a share of its oxygen"},
	{ProbeFrozen, atProbe, 0, "one probe says the same number again and again"},
	{ProbeDrift, atProbe, 0.5, "one probe departs slowly from the truth; 100% is 4 degC, 4 mg/L, 40% of saturation or all of the flow"},
	{ProbeSilent, atProbe, 0, "one probe says nothing"},
	{PowerCut, nowhere, 0, "every probe but the contacts says nothing, and those say open; the water runs on"},
	{PipeLeak, nowhere, 0.4, "a share of the spring's water is lost on its way, after the spring's probe"},
	{SectionBlocked, inSection, 0.9, "the flow through every unit of one section falls by a share"},
	{OxygenFade, atUnit, 0.7, "one unit loses a share of its oxygen that grows through the whole time"},
	{WarmWater, nowhere, 0.5, "warm surface water comes into the spring; 100% is 8 degC"},
	{ColdWater, nowhere, 0.5, "melt water comes into the spring; 100% is 8 degC"},
	{ProbeJumping, atProbe, 0.5, "every reading of one probe is off by another amount; 100% is as for probe-drift"},
	{ProbeInAir, atProbe, 0, "one probe hangs in the air"},
	{BrokerGone, nowhere, 0, "nothing at all is heard"},
}

// Kinds lists every kind of trouble.
func Kinds() []Kind {
	all := make([]Kind, len(kinds))
	for i, k := range kinds {
		all[i] = k.kind
	}
	return all
}

// Trouble is one thing that goes wrong, once.
type Trouble struct {
	Kind Kind
	// Where is the unit or the probe, "" for a kind that has no place.
	Where string
	// Start is how long after the model's start it begins, 0 or more.
	Start time.Duration
	// Length is how long it lasts, above 0.
	Length time.Duration
	// Severity is how bad it gets, above 0 up to 1; 0 takes the kind's own.
	Severity float64
}

// TroubleHelp describes how ParseTrouble reads a trouble, for --help.
func TroubleHelp() string {
	var b strings.Builder
	b.WriteString("KIND[:WHERE]@START/LENGTH[/SEVERITY%], such as \"screen-clog@7h30m/40m\" or \"standpipe-up:trough 3@2h/45m/80%\"\n")
	for _, k := range kinds {
		name := string(k.kind)
		if k.where != nowhere {
			name += ":" + strings.ToUpper(string(k.where))
		}
		fmt.Fprintf(&b, "  %-18s  %s", name, k.about)
		if k.severity > 0 {
			fmt.Fprintf(&b, " (%s unless said)", percent(k.severity))
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// String writes the trouble as ParseTrouble reads it.
func (t Trouble) String() string {
	s := string(t.Kind)
	if t.Where != "" {
		s += ":" + t.Where
	}
	s += fmt.Sprintf("@%v/%v", t.Start, t.Length)
	if t.Severity > 0 {
		s += "/" + percent(t.Severity)
	}
	return s
}

func percent(share float64) string { return strconv.FormatFloat(100*share, 'f', -1, 64) + "%" }

// ParseTrouble reads a trouble as TroubleHelp describes it. Whether its unit
// or probe exists is for New to say.
func ParseTrouble(s string) (Trouble, error) {
	bad := func(format string, args ...any) (Trouble, error) {
		return Trouble{}, fmt.Errorf("sim: trouble %q: %s", s, fmt.Sprintf(format, args...))
	}
	at := strings.LastIndexByte(s, '@')
	if at < 0 {
		return bad(`it has no time; write KIND@START/LENGTH, such as "screen-clog@7h30m/40m"`)
	}
	kind, where, _ := strings.Cut(s[:at], ":")
	t := Trouble{Kind: Kind(kind), Where: where}
	when := strings.Split(s[at+1:], "/")
	if len(when) != 2 && len(when) != 3 {
		return bad(`"@%s" is not START/LENGTH or START/LENGTH/SEVERITY%%, such as "@7h30m/40m" or "@7h30m/40m/60%%"`, s[at+1:])
	}
	for i, d := range []*time.Duration{&t.Start, &t.Length} {
		var err error
		if *d, err = time.ParseDuration(when[i]); err != nil {
			return bad(`%q is not a time; write it as "90s", "40m" or "7h30m"`, when[i])
		}
	}
	if len(when) == 3 {
		n, ok := strings.CutSuffix(when[2], "%")
		v, err := strconv.ParseFloat(n, 64)
		if !ok || err != nil || !(v > 0 && v <= 100) {
			return bad(`severity %q is not a share above 0%% up to 100%%, such as "60%%"`, when[2])
		}
		t.Severity = v / 100
	}
	if _, err := t.filled(); err != nil {
		return bad("%v", err)
	}
	return t, nil
}

// filled checks the trouble without its place and fills in the severity.
func (t Trouble) filled() (Trouble, error) {
	names := make([]string, 0, len(kinds))
	for _, k := range kinds {
		names = append(names, string(k.kind))
		if k.kind != t.Kind {
			continue
		}
		switch {
		case k.where == nowhere && t.Where != "":
			return t, fmt.Errorf("%s has no place; leave out %q", t.Kind, ":"+t.Where)
		case k.where != nowhere && t.Where == "":
			return t, fmt.Errorf("%s needs the name of a %s; write %s:NAME@START/LENGTH", t.Kind, k.where, t.Kind)
		case t.Start < 0:
			return t, fmt.Errorf("it starts %v before the model does; write a start of 0s or later", -t.Start)
		case t.Length <= 0:
			return t, fmt.Errorf("length %v; write one above zero, such as 40m", t.Length)
		case k.severity == 0 && t.Severity != 0:
			return t, fmt.Errorf("%s has no severity; leave it out", t.Kind)
		case !(t.Severity >= 0 && t.Severity <= 1):
			return t, fmt.Errorf("severity %g is not a share above 0 up to 1", t.Severity)
		}
		if t.Severity == 0 {
			t.Severity = k.severity
		}
		return t, nil
	}
	if near := measure.Suggest(string(t.Kind), names); near != "" {
		return t, fmt.Errorf("there is no kind %q; did you mean %q?", t.Kind, near)
	}
	return t, fmt.Errorf("there is no kind %q; the kinds are %s", t.Kind, strings.Join(names, ", "))
}

// placed checks that the trouble's unit or probe is there.
func (t Trouble) placed(s *site.Site) error {
	var known []string
	what := nowhere
	for _, k := range kinds {
		if k.kind == t.Kind {
			what = k.where
		}
	}
	switch what {
	case nowhere:
		return nil
	case atProbe:
		if _, ok := s.Probe(reading.ProbeID(t.Where)); ok {
			return nil
		}
		for _, p := range s.Probes {
			known = append(known, string(p.ID))
		}
	case inSection:
		for _, sec := range s.Sections {
			if sec.Name == t.Where {
				return nil
			}
			known = append(known, sec.Name)
		}
	case atUnit:
		for _, u := range s.Units {
			if !holdsStock(u.Kind) {
				continue
			}
			if u.Name == t.Where {
				return nil
			}
			known = append(known, u.Name)
		}
	}
	if near := measure.Suggest(t.Where, known); near != "" {
		return fmt.Errorf("sim: trouble %q: there is no %s %q that it can come to; did you mean %q?", t, what, t.Where, near)
	}
	return fmt.Errorf("sim: trouble %q: there is no %s %q that it can come to; the site has %s", t, what, t.Where, strings.Join(known[:min(len(known), 8)], ", "))
}

// clearing is how long the flow takes to come back once an intake is cleared.
const clearing = 2 * time.Minute

// share is how far the trouble has come at a time since the model's start, as
// a share of the whole effect: 0 none, 1 all of it.
func (t Trouble) share(since time.Duration) float64 {
	if since < t.Start {
		return 0
	}
	end := t.Start + t.Length
	through := float64(since-t.Start) / float64(t.Length)
	switch t.Kind {
	case ScreenClog:
		if since >= end {
			return max(0, 1-float64(since-end)/float64(clearing))
		}
		return min(1, 3*through)
	case SpringFail:
		return min(1, through)
	case WarmWater, ColdWater:
		return t.surfaceWater(since)
	case OxygenFade, ProbeDrift:
		if since < end {
			return through
		}
	case StandpipeUp, OxygenLow, ProbeFrozen, ProbeSilent, PowerCut, PipeLeak, SectionBlocked, ProbeJumping, ProbeInAir, BrokerGone:
		if since < end {
			return 1
		}
	}
	return 0
}
