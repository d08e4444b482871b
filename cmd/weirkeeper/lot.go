package main

import (
	"context"
	"crypto/rand"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"weirkeeper/cmd/weirkeeper/internal/lotform"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
)

// lotVerb is one word after `weirkeeper lot`.
type lotVerb struct {
	name string
	// words are the arguments that are not flags; those in brackets may be
	// left out. must are flags that may not, with the others in may.
	words, must, may []string
	short            string
	examples         []string
	// kind is set if it is an entry in the record; else run is.
	kind book.Kind
	run  func(ctx context.Context, e env, c *lotCall) int
}

// countFlags are the ways to say how many there are, but for a number alone.
var countFlags = []string{"sample", "sample-volume", "total-volume", "sample-weight", "total-weight"}

func lotVerbs() []lotVerb {
	return []lotVerb{
		{name: "list", run: lotList, short: "the board: every lot, where it is, how far, and what comes next"},
		{
			name: "show", words: []string{"LOT"}, may: []string{"format", "out"}, run: lotShow, short: "the record sheet of a lot",
			examples: []string{`lot show 2026-A`, `lot show 2026-A --format html --out sheet.html`},
		},
		{
			name: "open", kind: book.Opened, words: []string{"LOT"}, must: []string{"species", "egg-take"},
			may:   slices.Concat([]string{"strain", "source", "start", "start-units", "base", "eggs"}, countFlags, []string{"unit", "trays"}),
			short: "eggs were taken, or eggs or fish arrived: a new lot",
			examples: []string{
				`lot open 2026-A --species "brook trout" --egg-take "2026-10-14 09:30" --eggs 24000 --unit "stack 1" --trays 1-4`,
				`lot open 2026-B --species "brook trout" --egg-take "2026-10-02 11:00" --start eyed --start-units "230 degree-days" --sample 412 --sample-volume "50 mL" --total-volume "1240 mL"`,
			},
		},
		{
			name: "place", kind: book.Placed, words: []string{"LOT", "UNIT"}, may: []string{"number", "trays"}, short: "laid into a unit, all that lie nowhere yet or a number of them",
			examples: []string{`lot place 2026-A "stack 1" --number 12000 --trays 1-4`},
		},
		{
			name: "move", kind: book.Moved, words: []string{"LOT"}, must: []string{"to"}, may: []string{"from", "number", "trays"}, short: "moved to another unit, all or a number of them",
			examples: []string{`lot move 2026-A --from "stack 1" --to "trough 3" --number 8000`, `lot move 2026-A --to "trough 3" --when "2026-11-20 08:30"`, `lot move 2026-A --to "stack 1" --trays 5-8`},
		},
		{
			name: "split", kind: book.Split, words: []string{"LOT", "NEWLOT"}, must: []string{"number"}, may: []string{"from", "to", "trays"}, short: "a number of them becomes a lot of its own",
			examples: []string{`lot split 2026-A 2026-A2 --number 5000 --to "trough 4"`},
		},
		{
			name: "merge", kind: book.Merged, words: []string{"LOT", "INTO"}, short: "the whole lot becomes part of another one",
			examples: []string{`lot merge 2026-A2 2026-A`},
		},
		{
			name: "eyed", kind: book.Eyed, words: []string{"LOT"}, short: "eyes are seen in most of the eggs",
			examples: []string{`lot eyed 2026-A --when "2026-11-14 08:30"`},
		},
		{
			name: "shocked", kind: book.Shocked, words: []string{"LOT"}, may: []string{"dead", "unit"}, short: "shocked, and the dead picked after it",
			examples: []string{`lot shocked 2026-A --dead 640`},
		},
		{
			name: "picked", kind: book.Picked, words: []string{"LOT"}, must: []string{"dead"}, may: []string{"unit"}, short: "dead picked out",
			examples: []string{`lot picked 2026-A --dead 42 --unit "stack 1"`},
		},
		{
			name: "hatched", kind: book.Hatched, words: []string{"LOT", "first|half|last"}, short: "the first, half or the last of them have hatched",
			examples: []string{`lot hatched 2026-A half --when "07:40"`},
		},
		{name: "swim-up", kind: book.SwimUp, words: []string{"LOT"}, short: "most fry swim up", examples: []string{`lot swim-up 2026-A`}},
		{name: "fed", kind: book.FirstFed, words: []string{"LOT"}, short: "fed for the first time", examples: []string{`lot fed 2026-A`}},
		{
			name: "weighed", kind: book.Weighed, words: []string{"LOT"}, must: []string{"fish", "weight"}, may: []string{"length", "unit"}, short: "a sample was weighed, all its fish together",
			examples: []string{`lot weighed 2026-A --fish 50 --weight "31 g" --length "38 mm"`},
		},
		{
			name: "counted", kind: book.Counted, words: []string{"LOT"}, may: slices.Concat([]string{"number"}, countFlags, []string{"unit"}), short: "counted again: so many there are, whatever the book says",
			examples: []string{`lot counted 2026-A --unit "trough 3" --number 7950`, `lot counted 2026-A --sample 100 --sample-weight "8.2 g" --total-weight "3.1 kg"`},
		},
		{
			name: "shipped", kind: book.Shipped, words: []string{"LOT"}, must: []string{"to-place"}, may: []string{"number", "unit"}, short: "sold or stocked out, all or a number of them",
			examples: []string{`lot shipped 2026-A --to-place "mill pond" --number 2000`},
		},
		{
			name: "transferred", kind: book.Transferred, words: []string{"LOT"}, must: []string{"to-place"}, may: []string{"number", "unit"}, short: "gone to another station, all or a number of them",
			examples: []string{`lot transferred 2026-A --to-place "the lower station" --number all`},
		},
		{
			name: "lost", kind: book.Lost, words: []string{"LOT"}, must: []string{"number", "why"}, may: []string{"unit"}, short: "died or escaped at once",
			examples: []string{`lot lost 2026-A --number 350 --why "screen out at trough 3"`},
		},
		{
			name: "note", kind: book.Note, words: []string{"LOT", "TEXT"}, short: "something worth keeping",
			examples: []string{`lot note 2026-A "fungus in tray 3, salt bath given"`},
		},
		{
			name: "correct", run: lotCorrect, words: []string{"ENTRY", "VERB", "..."}, short: "replace an entry of the record, by its number on the sheet; the flags are the verb's",
			examples: []string{`lot correct 12 move 2026-A --to "trough 3" --number 800`},
		},
		{
			name: "strike", kind: book.Struck, words: []string{"ENTRY"}, must: []string{"why"}, may: []string{"lot"}, short: "take an entry back; it stays to be read",
			examples: []string{`lot strike 12 --why "written for the wrong lot"`},
		},
		{
			name: "temperature", run: lotTemperature, words: []string{"UNIT", "TEMPERATURE"}, may: []string{"when", "by"}, short: "a reading by hand thermometer, for the hours without a probe",
			examples: []string{`lot temperature "stack 1" "8.2 degC" --when "06:30"`},
		},
		{name: "stock", run: lotStock, short: "number, weight and limits of every unit"},
		{
			name: "room", run: lotRoom, must: []string{"number", "weight"}, may: []string{"length", "species"}, short: "where there is room for so many fish of a mean weight",
			examples: []string{`lot room --number 5000 --weight "2 g"`},
		},
		{name: "calendar", run: lotCalendar, may: []string{"out"}, short: "expected dates and chores for a calendar program", examples: []string{`lot calendar --out hatchery.ics`}},
		{
			name: "infer", run: lotInfer, must: []string{"species", "days", "from", "to"}, short: "what eggs must have come as that hatched so soon; asks no daemon",
			examples: []string{`lot infer --species "brook trout" --days 25 --from "7.5 degC" --to "9 degC"`},
		},
	}
}

func findLotVerb(name string) (lotVerb, bool) {
	all := lotVerbs()
	i := slices.IndexFunc(all, func(v lotVerb) bool { return v.name == name })
	if i < 0 {
		return lotVerb{}, false
	}
	return all[i], true
}

func runLot(ctx context.Context, e env, args []string) int {
	if len(args) == 0 {
		fmt.Fprint(e.err, lotOverview())
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "-help", "--help":
		fmt.Fprint(e.out, lotOverview())
		return exitOK
	}
	v, ok := findLotVerb(args[0])
	if !ok {
		return e.noVerb(args[0])
	}
	return e.lot(ctx, v, 0, args[1:])
}

func (e env) noVerb(name string) int {
	var names []string
	for _, v := range lotVerbs() {
		names = append(names, v.name)
	}
	if s := measure.Suggest(name, names); s != "" {
		return e.usage("lot", "there is no command lot %s; did you mean lot %s?", name, s)
	}
	return e.usage("lot", "there is no command lot %s; after lot comes one of %s", name, strings.Join(names, ", "))
}

func lotOverview() string {
	var b strings.Builder
	b.WriteString("weirkeeper lot VERB ...: the record of the lots, kept by the running daemon\n\n")
	for _, v := range lotVerbs() {
		fmt.Fprintf(&b, "  lot %-34s %s\n", strings.Join(append([]string{v.name}, v.words...), " "), v.short)
	}
	b.WriteString("\nEach has its own flags: weirkeeper lot VERB --help. Put names with spaces in\nquotes. Nothing is erased: what was wrong is replaced (correct) or taken back\n(strike), and stays to be read.\n")
	return b.String()
}

// lotCall is one call of a verb, its command line read.
type lotCall struct {
	verb   lotVerb
	fs     *flag.FlagSet
	daemon daemonFlags
	rest   []string // the words

	c                                    web.LotCommand
	start                                string
	days, coldest, warmest               float64
	startUnits, base                     float64
	count                                counting
	fish, number                         int
	weight, length                       float64
	format, out, species, strain, source string
}

// counting is a count as its flags say it.
type counting struct {
	number, sample            int
	sampleVolume, totalVolume float64 // mL
	sampleWeight, totalWeight float64 // g
}

// define adds one of the flags of a verb.
func (c *lotCall) define(name string, e env) {
	entry := &c.c.Entry
	text := func(to *string, usage string) { c.fs.StringVar(to, name, "", usage) }
	amount := func(to *float64, u measure.Unit, example, usage string) {
		c.fs.Var(amountFlag{to, u, example}, name, usage+", such as "+strconv.Quote(example)+" (`amount` with its unit)")
	}
	switch name {
	case "species":
		text(&c.species, "`species`, as in the site file")
	case "strain":
		text(&c.strain, "`strain`")
	case "source":
		text(&c.source, "`where` the eggs or fish are from")
	case "egg-take":
		text(&c.c.EggTake, "`time` of spawning and fertilisation, such as \"2026-10-14 09:30\"")
	case "start":
		c.fs.StringVar(&c.start, name, string(lot.Green), "`stage` in which it came: "+joinWords(lot.Stages()))
	case "start-units":
		amount(&c.startUnits, measure.DegreeDayUnit, "220 degree-days", "thermal units gathered before it came")
	case "base":
		amount(&c.base, measure.DegC, "0 degC", "temperature above which its units count")
	case "eggs":
		c.fs.Var(numberFlag{to: &c.count.number, least: 1}, name, "`number` of eggs or fish, if known directly")
	case "sample":
		c.fs.Var(numberFlag{to: &c.count.sample, least: 1}, name, "`number` in a sample whose volume or weight was measured")
	case "sample-volume":
		amount(&c.count.sampleVolume, lotform.ML, "50 mL", "volume of the sample")
	case "total-volume":
		amount(&c.count.totalVolume, lotform.ML, "1240 mL", "volume of all")
	case "sample-weight":
		amount(&c.count.sampleWeight, lotform.Mass, "8.2 g", "weight of the sample")
	case "total-weight":
		amount(&c.count.totalWeight, lotform.Mass, "3.1 kg", "weight of all")
	case "days":
		c.fs.Var(daysFlag{&c.days}, name, "`days` from placing to hatch")
	case "unit", "from":
		if c.verb.kind == "" {
			amount(&c.coldest, measure.DegC, "7.5 degC", "coldest the water was")
			return
		}
		usage := "`unit` it lies in; may be left out while it lies in one only"
		if c.verb.kind == book.Opened {
			usage = "`unit` it is laid into; else lot place says it"
		}
		text(&entry.Unit, usage)
	case "to":
		if c.verb.kind == "" {
			amount(&c.warmest, measure.DegC, "9 degC", "warmest the water was")
			return
		}
		text(&entry.To, "`unit` it goes to")
	case "trays":
		text(&entry.Trays, "which `trays` of the stack, such as 1-4")
	case "number":
		switch c.verb.kind {
		case book.Counted:
			c.fs.Var(numberFlag{to: &c.count.number}, name, "`number` there is, if counted one by one")
		case "":
			c.fs.Var(numberFlag{to: &c.number, least: 1}, name, "`number` of fish")
		case book.Split:
			c.fs.Var(numberFlag{to: &entry.Number, least: 1}, name, "`number` of eggs or fish")
		default:
			c.fs.Var(numberFlag{to: &entry.Number, least: 1, all: true}, name, "`number` of eggs or fish, or all (the default where it may be left out)")
		}
	case "dead":
		c.fs.Var(numberFlag{to: &entry.Number}, name, "`number` of dead picked out")
	case "fish":
		c.fs.Var(numberFlag{to: &c.fish, least: 1}, name, "`number` of fish in the sample")
	case "weight":
		if c.verb.kind == book.Weighed {
			amount(&c.weight, lotform.Mass, "31 g", "weight of the whole sample, not of one fish")
		} else {
			amount(&c.weight, lotform.Mass, "2 g", "mean weight of one fish")
		}
	case "length":
		amount(&c.length, lotform.MM, "55 mm", "mean total length of one fish")
	case "to-place":
		text(&entry.Place, "`place` they went to")
	case "why":
		text(&entry.Text, "what happened, or why it is struck, in your `words`")
	case "lot":
		text(&entry.Lot, "`lot` of the entry, to be sure")
	case "format":
		c.fs.StringVar(&c.format, name, web.Formats()[0], "`format`: "+joinWords(web.Formats()))
	case "out":
		c.fs.StringVar(&c.out, name, "-", "new `file` to write; - is standard output")
	case "when":
		text(&c.c.When, "`time` at which it happened, such as \"2026-11-20 08:30\", or \"08:30\" for today (default now or, of a correction, the time of what it replaces)")
	case "by":
		addBy(c.fs, e, &entry.By)
	default:
		panic("lot: no flag " + name)
	}
}

func joinWords[S ~string](words []S) string {
	s := make([]string, len(words))
	for i, w := range words {
		s[i] = string(w)
	}
	return strings.Join(s, ", ")
}

// lot reads the command line of a verb and carries it out; corrects is the
// number of the entry it replaces, 0 for none.
func (e env) lot(ctx context.Context, v lotVerb, corrects int64, args []string) int {
	c := &lotCall{verb: v, fs: flag.NewFlagSet("lot "+v.name, flag.ContinueOnError)}
	for _, name := range slices.Concat(v.must, v.may) {
		c.define(name, e)
	}
	if v.kind != "" {
		c.define("when", e)
		c.define("by", e)
	}
	if v.name == "infer" { // it asks no daemon
		c.daemon.site = c.fs.String("site", "", "site `file` that states requirements of your own")
	} else {
		c.daemon = addDaemonFlags(c.fs)
	}
	if v.name == "correct" && len(args) > 0 && args[0] != "-h" && args[0] != "-help" && args[0] != "--help" {
		c.rest = args // the flags are the verb's that follows
		return v.run(ctx, e, c)
	}
	var err error
	if c.rest, err = parseWords(c.fs, args); errors.Is(err, flag.ErrHelp) {
		c.help(e.out)
		return exitOK
	} else if err != nil {
		return e.usage(c.fs.Name(), "%s", flagWords(c.fs, err))
	}
	for _, name := range v.must {
		if !given(c.fs, name) {
			return e.usage(c.fs.Name(), "%s needs %s", c.fs.Name(), flagUsage(c.fs, name))
		}
	}
	if len(c.rest) != len(v.words) {
		if len(v.words) == 0 {
			return e.usage(c.fs.Name(), "%s takes no arguments besides its flags", c.fs.Name())
		}
		return e.usage(c.fs.Name(), "%s takes %s; put names and texts with spaces in quotes", c.fs.Name(), strings.Join(v.words, " "))
	}
	if v.kind == "" {
		return v.run(ctx, e, c)
	}
	if err := c.fill(corrects); err != nil {
		return e.usage(c.fs.Name(), "%v", err)
	}
	return e.tell(ctx, c.fs.Name(), c.daemon, "/lots/entries", c.c.Entry.By, c.c, true) // its ID keeps it from being written twice
}

// parseWords reads flags before and after the words. It prints nothing.
func parseWords(fs *flag.FlagSet, args []string) (words []string, err error) {
	fs.SetOutput(io.Discard)
	for {
		if err := fs.Parse(args); err != nil {
			return nil, err
		}
		if fs.NArg() == 0 {
			return words, nil
		}
		words, args = append(words, fs.Arg(0)), fs.Args()[1:]
	}
}

var badValue = regexp.MustCompile(`(?s)^invalid value .* for flag -([a-z-]+): (.*)$`)

// flagWords says what package flag found wrong in words for a keeper.
func flagWords(fs *flag.FlagSet, err error) string {
	if m := badValue.FindStringSubmatch(err.Error()); m != nil {
		return "--" + m[1] + ": " + m[2]
	}
	if name, ok := strings.CutPrefix(err.Error(), "flag needs an argument: -"); ok {
		return "write something after --" + strings.TrimPrefix(name, "-")
	}
	if name, ok := strings.CutPrefix(err.Error(), "flag provided but not defined: -"); ok {
		var names []string
		fs.VisitAll(func(f *flag.Flag) { names = append(names, "--"+f.Name) })
		return fmt.Sprintf("%s has no --%s; it has %s", fs.Name(), strings.TrimPrefix(name, "-"), strings.Join(names, ", "))
	}
	return err.Error()
}

// flagUsage is a flag with its placeholder, "--to UNIT".
func flagUsage(fs *flag.FlagSet, name string) string {
	placeholder, _ := flag.UnquoteUsage(fs.Lookup(name))
	return "--" + name + " " + strings.ToUpper(placeholder)
}

func (c *lotCall) help(w io.Writer) {
	v := c.verb
	fmt.Fprintf(w, "weirkeeper lot %s", strings.Join(append([]string{v.name}, v.words...), " "))
	for _, name := range v.must {
		fmt.Fprintf(w, " %s", flagUsage(c.fs, name))
	}
	fmt.Fprintf(w, " [flags]: %s\n", v.short)
	if len(v.examples) > 0 {
		fmt.Fprintf(w, "\nSuch as\n  weirkeeper %s\n", strings.Join(v.examples, "\n  weirkeeper "))
	}
	fmt.Fprintln(w, "\nFlags")
	c.fs.SetOutput(w)
	c.fs.PrintDefaults()
}

// fill makes the entry out of the words and flags.
func (c *lotCall) fill(corrects int64) error {
	e := &c.c.Entry
	e.ID, e.Kind, e.Corrects = rand.Text(), c.verb.kind, corrects
	for i, word := range c.verb.words {
		s := c.rest[i]
		switch word {
		case "LOT":
			e.Lot = s
		case "UNIT":
			e.Unit = s
		case "NEWLOT", "INTO":
			e.Other = s
		case "TEXT":
			e.Text = s
		case "ENTRY":
			var err error
			if e.Corrects, err = entryNumber(s); err != nil {
				return err
			}
		default: // first|half|last
			if e.Part = book.Part(s); !slices.Contains(book.Parts(), e.Part) {
				return fmt.Errorf("%q is no part of a hatch; there are %s", s, joinWords(book.Parts()))
			}
		}
	}
	switch c.verb.kind {
	case book.Opened:
		start := lot.Stage(c.start)
		if !slices.Contains(lot.Stages(), start) {
			return fmt.Errorf("--start: there is no stage %q; there are %s", c.start, joinWords(lot.Stages()))
		}
		count, err := c.counted("eggs")
		if err != nil {
			return err
		}
		e.Open = &book.Opening{
			Species: c.species, Strain: c.strain, Source: c.source, Start: start,
			StartUnits: measure.DegreeDays(c.startUnits), BaseC: measure.TempC(c.base), Count: count,
		}
	case book.Counted:
		count, err := c.counted("number")
		if err != nil {
			return err
		}
		e.Count = &count
	case book.Weighed:
		e.Sample = &book.Sample{Number: c.fish, WeightG: measure.MassG(c.weight), LengthMM: c.length}
	default: // all is in the entry
	}
	return nil
}

// counted is the count in the one way in which it was given.
func (c *lotCall) counted(direct string) (book.Count, error) {
	n := c.count
	var set []string
	for _, name := range append([]string{direct}, countFlags...) {
		if given(c.fs, name) {
			set = append(set, name)
		}
	}
	switch strings.Join(set, " ") {
	case direct:
		return book.Count{Method: book.Direct, Number: n.number}, nil
	case "sample sample-volume total-volume":
		return book.Count{Method: book.ByVolume, SampleNumber: n.sample, SampleAmount: n.sampleVolume, TotalAmount: n.totalVolume}, nil
	case "sample sample-weight total-weight":
		return book.Count{Method: book.ByWeight, SampleNumber: n.sample, SampleAmount: n.sampleWeight, TotalAmount: n.totalWeight}, nil
	}
	return book.Count{}, fmt.Errorf("say in one way how many there are: --%s NUMBER, or --sample NUMBER --sample-volume AMOUNT --total-volume AMOUNT, or --sample NUMBER --sample-weight AMOUNT --total-weight AMOUNT", direct)
}

func entryNumber(s string) (int64, error) {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n < 1 {
		return 0, fmt.Errorf("%q is no number of an entry; lot show LOT gives each line its number", s)
	}
	return n, nil
}

// numberFlag is a whole number from least, which may be written 12,400. "all" is
// 0, which the record takes for all; so least is 1 where all is allowed.
type numberFlag struct {
	to    *int
	least int
	all   bool
}

func (numberFlag) String() string { return "" }

func (f numberFlag) Set(s string) (err error) {
	*f.to, err = lotform.Number(s, f.least, f.all)
	return err
}

// amountFlag is an amount with its unit, kept in unit.
type amountFlag struct {
	to      *float64
	unit    measure.Unit
	example string
}

func (amountFlag) String() string { return "" }

func (f amountFlag) Set(s string) (err error) {
	*f.to, err = lotform.Amount(s, f.unit, f.example)
	return err
}

// daysFlag is a number of days above 0, with or without the word.
type daysFlag struct{ to *float64 }

func (daysFlag) String() string { return "" }

func (f daysFlag) Set(s string) error {
	if _, err := measure.Parse(s); errors.Is(err, measure.ErrNoUnit) {
		s += " d"
	}
	return amountFlag{f.to, measure.Day, "25 days"}.Set(s)
}

func lotCorrect(ctx context.Context, e env, c *lotCall) int {
	if strings.HasPrefix(c.rest[0], "-") {
		return e.usage("lot correct", "the number of the entry and the verb come first, then the flags, such as: lot correct 12 picked 2026-A --dead 42")
	}
	n, err := entryNumber(c.rest[0])
	if err != nil {
		return e.usage("lot correct", "%v", err)
	}
	if len(c.rest) < 2 || strings.HasPrefix(c.rest[1], "-") {
		return e.usage("lot correct", "lot correct takes the number of an entry and then what is right, such as: lot correct %d picked 2026-A --dead 42", n)
	}
	v, ok := findLotVerb(c.rest[1])
	switch {
	case !ok:
		return e.noVerb(c.rest[1])
	case v.kind == book.Struck:
		return e.usage("lot correct", "to take entry %d back, write: lot strike %d --why TEXT", n, n)
	case v.kind == "":
		return e.usage("lot correct", "lot %s writes nothing into the record, so it cannot replace entry %d", v.name, n)
	}
	return e.lot(ctx, v, n, c.rest[2:])
}

// show prints what the daemon answers, or writes it to a new file.
func (c *lotCall) show(ctx context.Context, e env, path string) int {
	body, err := e.ask(ctx, c.daemon, http.MethodGet, path, nil)
	if err != nil {
		return e.fault(err)
	}
	write := func(w io.Writer) error { _, err := w.Write(body); return err }
	if c.out == "" || c.out == "-" {
		err = write(e.out)
	} else {
		err = writeNew(c.out, write)
	}
	if err != nil {
		return e.fault(err)
	}
	return exitOK
}

func lotList(ctx context.Context, e env, c *lotCall) int  { return c.show(ctx, e, "/lots") }
func lotStock(ctx context.Context, e env, c *lotCall) int { return c.show(ctx, e, "/stock") }

func lotCalendar(ctx context.Context, e env, c *lotCall) int { return c.show(ctx, e, "/calendar.ics") }

func lotShow(ctx context.Context, e env, c *lotCall) int {
	if !slices.Contains(web.Formats(), c.format) {
		return e.usage("lot show", "there is no format %q; there are %s", c.format, joinWords(web.Formats()))
	}
	return c.show(ctx, e, web.LotPath(c.rest[0])+"?format="+c.format)
}

func lotRoom(ctx context.Context, e env, c *lotCall) int {
	return c.show(ctx, e, web.RoomQuestion{Number: c.number, WeightG: measure.MassG(c.weight), LengthMM: c.length, Species: c.species}.Path())
}

func lotTemperature(ctx context.Context, e env, c *lotCall) int {
	t, err := lotform.Amount(c.rest[1], measure.DegC, "8.2 degC")
	if err != nil {
		return e.usage("lot temperature", "%v", err)
	}
	h := web.HandReading{Unit: c.rest[0], TempC: measure.TempC(t), When: c.c.When, By: c.c.Entry.By}
	return e.tell(ctx, "lot temperature", c.daemon, "/thermometer", h.By, h, false)
}

// lotInfer works on what is published and, with --site, on what the site file
// states of the species.
func lotInfer(_ context.Context, e env, c *lotCall) int {
	if c.coldest > c.warmest {
		return e.usage("lot infer", "--from is warmer than --to; write the coldest first")
	}
	p := lot.Profile{Species: strings.TrimSpace(c.species)}
	if *c.daemon.site != "" {
		site, err := e.readSite(*c.daemon.site)
		if err != nil {
			return e.fault(err)
		}
		if own, ok := site.Site.Species[strings.ToLower(p.Species)]; ok {
			p = own
		}
	}
	gathered := func(t float64) measure.DegreeDays { return measure.DegreeDays(max(0, t) * c.days) }
	fmt.Fprint(e.out, lot.Infer(p, lot.Range{Low: gathered(c.coldest), High: gathered(c.warmest)}))
	return exitOK
}
