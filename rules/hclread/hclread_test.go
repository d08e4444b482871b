package hclread_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
)

// render parses src, lets read use it, and returns the rendered diagnostics.
func render(t *testing.T, src string, read func(*hclread.Body)) string {
	t.Helper()
	files := hclread.NewFiles()
	body, diags := files.Parse("x.hcl", []byte(src))
	read(hclread.Read(body, &diags, "the file"))
	var out bytes.Buffer
	if err := files.Render(&out, diags, 0); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestGoodValues(t *testing.T) {
	const src = `
text    = "warm"
yes     = true
trays   = 8
ratio   = 0.25
flow    = "28 L/min"
oxygen  = "80% saturation"
need    = ["200 degree-days", "432 TU"]
wait    = "90 s"
kind    = "deep trough"
one     = "a"
many    = ["a", "b"]
local   = "2026-10-14 09:30"
zoned   = "2026-10-14T09:30:00Z"
morning = "07:00"
hours   = ["16:30", "10:00"]
`
	type got struct {
		Text            string
		Yes             bool
		Trays           int
		Ratio           float64
		Flow, Oxygen    string
		NeedLo, NeedHi  float64
		Wait            time.Duration
		Kind            string
		One, Many       []string
		Local, Zoned    time.Time
		Morning         int
		Hours           []int
		AllOK, MissingO bool
	}
	var g got
	values := func(ns []hclread.Name) []string {
		var out []string
		for _, n := range ns {
			out = append(out, n.Value)
		}
		return out
	}
	out := render(t, src, func(b *hclread.Body) {
		var ok [15]bool
		g.Text, ok[0] = b.Text("text")
		g.Yes, ok[1] = b.Bool("yes")
		g.Trays, ok[2] = b.Int("trays", 1, 16)
		g.Ratio, ok[3] = b.Number("ratio", 0, 1)
		var a measure.Amount
		a, ok[4] = b.Amount("flow", measure.Flow)
		g.Flow = a.String()
		a, ok[5] = b.Amount("oxygen", measure.Oxygen, measure.Saturation)
		g.Oxygen = a.String()
		var lo, hi measure.Amount
		lo, hi, ok[6] = b.AmountRange("need", measure.ThermalUnits)
		g.NeedLo, g.NeedHi = lo.Base(), hi.Base()
		g.Wait, ok[7] = b.Duration("wait")
		g.Kind, ok[8] = b.Choice("kind", []string{"stack", "deep trough"})
		var ns []hclread.Name
		ns, ok[9] = b.Names("one")
		g.One = values(ns)
		ns, ok[10] = b.KnownNames("many", "unit", []string{"a", "b", "c"})
		g.Many = values(ns)
		g.Local, ok[11] = b.Moment("local", time.FixedZone("", 2*3600))
		g.Zoned, ok[12] = b.Moment("zoned", time.UTC)
		g.Morning, ok[13] = b.HourOfDay("morning")
		g.Hours, ok[14] = b.HoursOfDay("hours")
		g.AllOK = !slices.Contains(ok[:], false)
		_, g.MissingO = b.Text("missing")
		b.Done()
	})
	want := got{
		Text: "warm", Yes: true, Trays: 8, Ratio: 0.25, Flow: "28 L/min", Oxygen: "80% saturation",
		NeedLo: 200, NeedHi: 240, Wait: 90 * time.Second, Kind: "deep trough", One: []string{"a"}, Many: []string{"a", "b"},
		Local: time.Date(2026, 10, 14, 7, 30, 0, 0, time.UTC), Zoned: time.Date(2026, 10, 14, 9, 30, 0, 0, time.UTC),
		Morning: 7 * 60, Hours: []int{10 * 60, 16*60 + 30}, AllOK: true,
	}
	if out != "" {
		t.Errorf("diagnostics:\n%s", out)
	}
	if d := cmp.Diff(want, g); d != "" {
		t.Error(d)
	}
}

// Each bad value is reported once, with its line and what to write.
func TestBadValues(t *testing.T) {
	flow := func(b *hclread.Body) { b.Amount("x", measure.Flow) }
	tests := []struct {
		name, src string
		read      func(*hclread.Body)
		want      string // the summary and the detail, on one line each
	}{
		{"near unit name", `x = "degc2"`, func(b *hclread.Body) { b.Unit("x", measure.Temperature) }, "Unknown unit\nThere is no unit \"degc2\"; did you mean \"degC\"? Units of temperature: degC, degF."},
		{"unit name of another kind", `x = "gpm"`, func(b *hclread.Body) { b.Unit("x", measure.Temperature) }, "Wrong kind of unit\ngpm is a unit of flow, but x is one of temperature. Write degC, degF."},
		{"bare number", `x = 28`, flow, "Unit missing\nA number needs its unit: write \"28 L/min\", if that is what you mean. Units of flow: L/min, L/s, m3/h, m3/s, gpm."},
		{"number in quotes without unit", `x = "28"`, flow, "Unit missing\nA number needs its unit: write \"28 L/min\", if that is what you mean. Units of flow: L/min, L/s, m3/h, m3/s, gpm."},
		{"amount without quotes", `x = 28 L/min`, flow, "Quotes missing\nA number with a unit stands in quotes: write x = \"28 L/min\"."},
		{"near unit", `x = "28 gpn"`, flow, "Unknown unit\nThere is no unit \"gpn\"; did you mean \"gpm\"? Units of flow: L/min, L/s, m3/h, m3/s, gpm."},
		{"far unit", `x = "28 buckets"`, flow, "Unknown unit\nThere is no unit \"buckets\". Units of flow: L/min, L/s, m3/h, m3/s, gpm."},
		{"wrong dimension", `x = "4 degC"`, flow, "Wrong kind of unit\n4 degC is temperature, but x is flow. Write it in L/min, L/s, m3/h, m3/s, gpm."},
		{"no number", `x = "much"`, flow, "Not an amount\n\"much\" does not start with a number. Write a number and its unit, like \"10 L/min\"."},
		{"list for an amount", `x = ["1 gpm"]`, flow, "Amount expected\nx is one number with its unit, in quotes: write it like \"10 L/min\"."},
		{
			"either dimension", `x = "4 gpm"`, func(b *hclread.Body) { b.Amount("x", measure.Oxygen, measure.Saturation) },
			"Wrong kind of unit\n4 gpm is flow, but x is oxygen or saturation. Write it in mg/L, kg/m3, % saturation.",
		},
		{"word without quotes", `x = stack`, func(b *hclread.Body) { b.Text("x") }, "Quotes missing\nWords stand in quotes: write \"stack\" instead of stack."},
		{"function", `x = upper("a")`, func(b *hclread.Body) { b.Text("x") }, "Not a plain value\nWrite the value of x itself, such as a number or text in quotes. Other names, functions and ${...} are not worked out in this file."},
		{"null", `x = null`, func(b *hclread.Body) { b.Text("x") }, "Not a plain value\nWrite the value of x itself, such as a number or text in quotes. Other names, functions and ${...} are not worked out in this file."},
		{"number for text", `x = 7`, func(b *hclread.Body) { b.Text("x") }, "Text expected\nx is text and stands in quotes: write \"7\"."},
		{"text for bool", `x = "yes"`, func(b *hclread.Body) { b.Bool("x") }, "True or false expected\nWrite x = true or x = false, without quotes."},
		{"fraction for int", `x = 1.5`, func(b *hclread.Body) { b.Int("x", 1, 16) }, "Number out of sense\nWrite x as a whole number from 1 to 16, without quotes."},
		{"int too big", `x = 1e30`, func(b *hclread.Body) { b.Int("x", 1, 16) }, "Number out of sense\nWrite x as a whole number from 1 to 16, without quotes."},
		{"number out of span", `x = 2`, func(b *hclread.Body) { b.Number("x", 0, 1) }, "Number out of sense\nWrite x as a number from 0 to 1, without quotes and unit."},
		{"negative time", `x = "-5 min"`, func(b *hclread.Body) { b.Duration("x") }, "Time out of sense\nx is how long something takes: write it between \"0 s\" and \"36500 d\"."},
		{"endless time", `x = "99999 d"`, func(b *hclread.Body) { b.Duration("x") }, "Time out of sense\nx is how long something takes: write it between \"0 s\" and \"36500 d\"."},
		{"near choice", `x = "stak"`, func(b *hclread.Body) { b.Choice("x", []string{"stack", "trough"}) }, "Unknown x\nThere is no x \"stak\"; did you mean \"stack\"?"},
		{"far choice", `x = "bathtub"`, func(b *hclread.Body) { b.Choice("x", []string{"stack", "trough"}) }, "Unknown x\nThere is no x \"bathtub\". Write \"stack\" or \"trough\"."},
		{"empty name", `x = ["a", ""]`, func(b *hclread.Body) { b.Names("x") }, "Empty name\nWrite a name between the quotes, or delete this entry of x."},
		{"name twice", `x = ["a", "a"]`, func(b *hclread.Body) { b.Names("x") }, "Named twice\n\"a\" is already in this list: delete this entry."},
		{"unknown name where there is none", `x = "a"`, func(b *hclread.Body) { b.KnownNames("x", "section", nil) }, "Unknown section\nThere is no section \"a\", and nothing like it yet. Add it, or delete the name here."},
		{"no equals sign", `x "a"`, func(b *hclread.Body) { b.Has("x") }, "Equals sign missing\nWrite x = \"a\" for a value. (A block's line ends with { instead.)"},
		{"colon", `x: 7`, func(b *hclread.Body) { b.Has("x") }, "Equals sign missing\nWrite x = 7 for a value. (A block's line ends with { instead.)"},
		{"number among texts", `x = ["a", "", "a", 3]`, func(b *hclread.Body) { b.Texts("x") }, "Text expected\nx is text and stands in quotes: write \"3\"."},
		{"asked for as both", `y = 1`, func(b *hclread.Body) { b.Has("x"); b.One("x"); b.Done() }, "Unknown name\nThere is no \"y\" in the file. Write \"x\"."},
		{"null of a kind in a list", `x = [true ? null : 1]`, func(b *hclread.Body) { b.Names("x") }, "Text expected\nx is one piece of text: write it in one pair of quotes."},
		{"unknown name in a list", `x = ["head", "zzz"]`, func(b *hclread.Body) { b.KnownNames("x", "unit", []string{"head"}) }, "Unknown unit\nThere is no unit \"zzz\". Write \"head\"."},
		{"date", `x = "14.10.2026"`, func(b *hclread.Body) { b.Moment("x", time.UTC) }, "Not a date and time\nx is a day and an hour: write it like \"2026-10-14 09:30\"."},
		{"hour", `x = "25:00"`, func(b *hclread.Body) { b.HourOfDay("x") }, "Not an hour of the day\nx is an hour from \"00:00\" to \"23:59\": write it like \"07:00\"."},
		{"hour in a list", `x = ["7 o'clock"]`, func(b *hclread.Body) { b.HoursOfDay("x") }, "Not an hour of the day\nx is an hour from \"00:00\" to \"23:59\": write it like \"07:00\"."},
		{"one amount of two", `x = "1 TU"`, func(b *hclread.Body) { b.AmountRange("x", measure.ThermalUnits) }, "Two amounts expected\nWrite the lowest and the highest: x = [\"200 degree-days\", \"240 degree-days\"]."},
		{"range upside down", `x = ["2 TU", "1 TU"]`, func(b *hclread.Body) { b.AmountRange("x", measure.ThermalUnits) }, "Wrong order\nWrite the lowest and the highest: x = [\"200 degree-days\", \"240 degree-days\"]."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			summary, detail, _ := strings.Cut(tt.want, "\n")
			want := "Error: " + summary + "\n\n  on x.hcl line 1:\n   1: " + tt.src + "\n\n" + detail + "\n\n1 fault\n"
			if d := cmp.Diff(want, render(t, tt.src, tt.read)); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestStructure(t *testing.T) {
	const src = `topc = "a"
needs = 3
probe "spring" {
  topic = "a"
}
probe "spring" {
}
probe {
}
probe "a" "b" {
}
probe " a" {
}
mail "x" {
}
mail {
}
place {
}
probes "x" {
}
`
	got := render(t, src, func(b *hclread.Body) {
		for _, p := range b.Named("probe") {
			p.Need("topic", `"alderfork/spring"`)
			p.Need("unit", `"degC"`)
			p.Done()
		}
		b.One("mail")
		b.One("needs")
		b.Text("place")
		b.Text("topic")
		b.Done()
	})
	const want = `Error: Unknown name

  on x.hcl line 1:
   1: topc = "a"

There is no "topc" in the file; did you mean "topic"?

Error: Block expected

  on x.hcl line 2:
   2: needs = 3

needs is a block here: write needs { ... } without the equals sign.

Error: Missing "unit"

  on x.hcl line 3, in probe "spring":
   3: probe "spring" {

Probe "spring" needs unit. Add a line such as unit = "degC".

Error: Name used twice

  on x.hcl line 6, in probe "spring":
   6: probe "spring" {

There is already a probe "spring" at x.hcl:3. Give one of them another name, or delete it.

Error: Name missing

  on x.hcl line 8, in probe:
   8: probe {

Each probe has a name in quotes before the brace: write probe "name" { ... }.

Error: One name too many

  on x.hcl line 10, in probe "a" "b":
  10: probe "a" "b" {

A probe has one name. Put all of it in one pair of quotes: probe "a b".

Error: Not a name

  on x.hcl line 12, in probe " a":
  12: probe " a" {

A name has at least one letter, no space at its ends and no line breaks. Write it as it should stand in a message: probe "name".

Error: Name not expected

  on x.hcl line 14, in mail "x":
  14: mail "x" {

There is only one mail here and it has no name. Write mail { ... }.

Error: Written twice

  on x.hcl line 16, in mail:
  16: mail {

There is already a mail block at x.hcl:14. Put everything into one of them and delete the other.

Error: Value expected

  on x.hcl line 18, in place:
  18: place {

place is not a block here: write place = followed by its value.

Error: Unknown name

  on x.hcl line 20, in probes "x":
  20: probes "x" {

There is no "probes" in the file; did you mean "probe"?

11 faults
`
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// What the parser could not read is reported once, with a remedy, and the rest
// of the file is still read.
func TestSyntaxFaults(t *testing.T) {
	const src = `probe "a" {
  topic = "x
  depth = 1
}
probe "b" { topic = "x" unit = "degC" }
probe "c {
  topic = "x"
  unit = 28 L/min
  depth = 7
}
probe "d" {
  unit = "degC"
}
`
	got := render(t, src, func(b *hclread.Body) {
		for _, p := range b.Named("probe") {
			p.Need("topic", `"a/b"`)
			p.Need("unit", `"degC"`)
			p.Text("topic")
			p.Text("unit")
			p.Done()
		}
		b.Done()
	})
	const want = `Error: Closing quote missing

  on x.hcl line 2, in probe "a":
   2:   topic = "x

Text in quotes begins and ends on one line: write "x".

Error: Unknown name

  on x.hcl line 3, in probe "a":
   3:   depth = 1

There is no "depth" in probe "a". Write "topic" or "unit".

Error: Several names on one line

  on x.hcl line 5:
   5: probe "b" { topic = "x" unit = "degC" }

Between { and } on one line only one name may stand. Put each name = value on a line of its own, and the closing } too.

Error: Closing quote missing

  on x.hcl line 6, in probe:
   6: probe "c {

Text in quotes begins and ends on one line: write "c".

Error: Quotes missing

  on x.hcl line 8, in probe:
   8:   unit = 28 L/min

A number with a unit stands in quotes: write unit = "28 L/min".

Error: Missing "topic"

  on x.hcl line 11, in probe "d":
  11: probe "d" {

Probe "d" needs topic. Add a line such as topic = "a/b".

6 faults
`
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestRenderOrderAndCounts(t *testing.T) {
	files := hclread.NewFiles()
	at := func(file string, line int) *hcl.Range {
		return &hcl.Range{Filename: file, Start: hcl.Pos{Line: line, Column: 1, Byte: line * 10}, End: hcl.Pos{Line: line, Column: 2, Byte: line*10 + 1}}
	}
	diags := hcl.Diagnostics{
		{Severity: hcl.DiagError, Summary: "Third", Subject: at("b.hcl", 1)},
		{Severity: hcl.DiagWarning, Summary: "Second", Subject: at("a.hcl", 9)},
		{Severity: hcl.DiagError, Summary: "First", Subject: at("a.hcl", 2)},
		{Severity: hcl.DiagError, Summary: "First", Subject: at("a.hcl", 2)},
	}
	var out bytes.Buffer
	if err := files.Render(&out, diags, 78); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, l := range strings.Split(out.String(), "\n") {
		if strings.Contains(l, ": ") || strings.Contains(l, "fault") {
			got = append(got, l)
		}
	}
	if d := cmp.Diff([]string{"Error: First", "Warning: Second", "Error: Third", "2 faults, 1 warning"}, got); d != "" {
		t.Error(d)
	}
	out.Reset()
	if err := files.Render(&out, nil, 78); err != nil || out.Len() != 0 {
		t.Errorf("nothing to report gave %q, %v", out.String(), err)
	}
}

// An unclosed block swallows its neighbours; only the brace is reported.
func TestUnclosedBlock(t *testing.T) {
	got := render(t, "probe \"a\" {\n  topic = \"x\"\nprobe \"b\" {\n}\nunit \"z\" {\n}\n", func(b *hclread.Body) {
		for _, p := range b.Named("probe") {
			p.Need("topic", `"a/b"`)
			p.Need("unit", `"degC"`)
			p.Done()
		}
		b.Done()
		if !b.Broken() {
			t.Error("Broken is false")
		}
	})
	const want = `Error: Closing brace missing

  on x.hcl line 1, in probe "a":
   1: probe "a" {

This block has no end. Add a } on a line of its own where it ends.

1 fault
`
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestHide(t *testing.T) {
	files := hclread.NewFiles()
	body, diags := files.Parse("x.hcl", []byte(`password = "sesame" # old`))
	b := hclread.Read(body, &diags, "the file")
	files.Hide(b.Rng("password"))
	b.Fault(b.Rng("password"), "Open", "Close it.")
	var out bytes.Buffer
	if err := files.Render(&out, diags, 0); err != nil {
		t.Fatal(err)
	}
	want := "Error: Open\n\n  on x.hcl line 1:\n   1: password = \"******\" # old\n\nClose it.\n\n1 fault\n"
	if d := cmp.Diff(want, out.String()); d != "" {
		t.Error(d)
	}
}

// Files that would exhaust the parser's stack or the reader's patience.
func TestHostileFiles(t *testing.T) {
	deep := "Error: Nested too deep\n\n  on x.hcl line %d"
	tests := []struct{ name, src, want string }{
		{"too long", strings.Repeat("#", hclread.MaxSize+1), "Error: File too long\n\n  on x.hcl line 1"},
		{"brackets", "x = " + strings.Repeat("[", 5000), fmt.Sprintf(deep, 1)},
		{"parentheses over lines", "x = " + strings.Repeat("(\n", 5000), fmt.Sprintf(deep, 51)},
		{"signs", "x = " + strings.Repeat("-", 5000), fmt.Sprintf(deep, 1)},
		{"signs over lines", "x = (" + strings.Repeat("-\n", 5000), fmt.Sprintf(deep, 500)},
		{"questions", "x = " + strings.Repeat("1 ? ", 5000), fmt.Sprintf(deep, 1)},
		{"blocks", strings.Repeat("a {\n", 5000), fmt.Sprintf(deep, 51)},
		{"text in text", "x = " + strings.Repeat(`"${`, 5000), fmt.Sprintf(deep, 1)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := render(t, tt.src, func(b *hclread.Body) { b.Need("x", "1") })
			if !strings.HasPrefix(got, tt.want) || !strings.HasSuffix(got, "\n1 fault\n") {
				t.Errorf("got %.300s", got)
			}
		})
	}
}

func TestRenderAtMostHundred(t *testing.T) {
	got := render(t, strings.Repeat("a {\n}\n", 130), func(b *hclread.Body) { b.Done() })
	if n := strings.Count(got, "Error: "); n != 100 || !strings.HasSuffix(got, "\n130 faults, 30 of them not shown\n") {
		t.Errorf("%d shown, ending %q", n, got[len(got)-60:])
	}
}

func TestUnknownListsAtMostEight(t *testing.T) {
	d := hclread.Unknown(hcl.Range{}, "unit", "zzz", strings.Split("alpha bravo charlie delta echo foxtrot golf hotel india juliett", " "))
	want := `There is no unit "zzz". Write one of "alpha", "bravo", "charlie", "delta", "echo", "foxtrot", "golf", "hotel", or one of 2 more.`
	if d.Detail != want {
		t.Errorf("got  %s\nwant %s", d.Detail, want)
	}
}
