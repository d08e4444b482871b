package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/lot/book"
)

// lotDaemon stands for the daemon: it says what it is told to, and notes what it
// was asked.
type lotDaemon struct {
	said  string
	err   error
	asked []any
	ids   []string // of entries, which differ each time
}

func (d *lotDaemon) note(asked any) (string, error) {
	d.asked = append(d.asked, asked)
	return d.said, d.err
}

func (d *lotDaemon) Status() *status.Status { return nil }
func (d *lotDaemon) Health() string         { return "" }

func (d *lotDaemon) Acknowledge(_ context.Context, key alarm.Key, by string) (string, error) {
	return d.note([2]string{string(key), by})
}

func (d *lotDaemon) AnswerCode(_ context.Context, c web.CodeAnswer) (string, error) {
	return d.note(c)
}

func (d *lotDaemon) Received(_ context.Context, c web.Received) (string, error) { return d.note(c) }

func (d *lotDaemon) ChoreDone(_ context.Context, chore, unit, by string) (string, error) {
	return d.note([3]string{chore, unit, by})
}

func (d *lotDaemon) EnterLot(_ context.Context, c web.LotCommand) (string, error) {
	d.ids = append(d.ids, c.Entry.ID)
	c.Entry.ID = ""
	return d.note(c)
}

func (d *lotDaemon) LotList(context.Context) (string, error) { return d.note("list") }

func (d *lotDaemon) LotSheet(_ context.Context, id, format string) (string, []byte, error) {
	s, err := d.note([2]string{id, format})
	return "text/plain", []byte(s), err
}
func (d *lotDaemon) Stock(context.Context) (string, error) { return d.note("stock") }

func (d *lotDaemon) Room(_ context.Context, q web.RoomQuestion) (string, error) { return d.note(q) }

func (d *lotDaemon) Thermometer(_ context.Context, h web.HandReading) (string, error) {
	return d.note(h)
}

func (d *lotDaemon) Calendar(context.Context) ([]byte, error) {
	s, err := d.note("calendar")
	return []byte(s), err
}

// serveLots starts the interface of a daemon; addr is where it is.
func serveLots(t *testing.T, d *lotDaemon) (addr string) {
	t.Helper()
	s := httptest.NewServer(web.Handler(d, http.NotFoundHandler(), slog.New(slog.DiscardHandler)))
	t.Cleanup(s.Close)
	return s.Listener.Addr().String()
}

// invoke runs a command line and gives its exit code and what it printed.
func invoke(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	e, o, er := testEnv()
	code = run(t.Context(), args, e)
	return code, o.String(), er.String()
}

// words splits a command line as a shell does, with double quotes only.
func words(line string) (out []string) {
	var word strings.Builder
	quoted, any := false, false
	for _, r := range line + " " {
		switch {
		case r == '"':
			quoted, any = !quoted, true
		case r == ' ' && !quoted:
			if any || word.Len() > 0 {
				out = append(out, word.String())
			}
			word.Reset()
			any = false
		default:
			word.WriteRune(r)
		}
	}
	return out
}

func TestLotEntries(t *testing.T) {
	d := &lotDaemon{said: "Written as entry 7.\nWarning: the eggs are tender.\n"}
	addr := serveLots(t, d)
	direct := func(n int) book.Count { return book.Count{Method: book.Direct, Number: n} }
	entry := func(k book.Kind, e book.Entry) web.LotCommand {
		e.Lot, e.Kind, e.By = "2026-A", k, "kim"
		return web.LotCommand{Entry: e}
	}
	at := func(when string, c web.LotCommand) web.LotCommand { c.When = when; return c }
	open := func(o book.Opening, unit, trays string) web.LotCommand {
		c := entry(book.Opened, book.Entry{Unit: unit, Trays: trays, Open: &o})
		c.EggTake = "2026-10-14 09:30"
		return c
	}
	tests := []struct {
		line string // after "lot", without --by and --at
		want web.LotCommand
	}{
		{
			`open 2026-A --species "brook trout" --egg-take "2026-10-14 09:30" --eggs 24,000 --unit "stack 1" --trays 1-4`,
			open(book.Opening{Species: "brook trout", Start: lot.Green, Count: direct(24000)}, "stack 1", "1-4"),
		},
		{
			`open 2026-A --species "brook trout" --strain late --source "upper pond" --egg-take "2026-10-14 09:30" --start eyed --start-units "220 degree-days" --base "33.8 degF" --sample 412 --sample-volume "50 mL" --total-volume "1.24 L"`,
			// By definition of the scales 33.8 degF is 1 degC.
			open(book.Opening{
				Species: "brook trout", Strain: "late", Source: "upper pond", Start: lot.Eyed, StartUnits: 220, BaseC: 1,
				Count: book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 1240},
			}, "", ""),
		},
		{
			`open 2026-A --species "arctic char" --egg-take "2026-10-14 09:30" --start swim-up --start-units "900 TU" --sample 100 --sample-weight "8.2 g" --total-weight "3.1 kg"`,
			// 900 TU are 500 degree-days, by definition of the scales.
			open(book.Opening{
				Species: "arctic char", Start: lot.SwimUp, StartUnits: 500,
				Count: book.Count{Method: book.ByWeight, SampleNumber: 100, SampleAmount: 8.2, TotalAmount: 3100},
			}, "", ""),
		},
		{`place 2026-A "stack 1"`, entry(book.Placed, book.Entry{Unit: "stack 1"})},
		{`place 2026-A "stack 1" --number 12000 --trays 1-4`, entry(book.Placed, book.Entry{Unit: "stack 1", Number: 12000, Trays: "1-4"})},
		{`move 2026-A --to "trough 3"`, entry(book.Moved, book.Entry{To: "trough 3"})},
		{`move --number 8,000 2026-A --from "stack 1" --to "trough 3" --trays all --when 08:30`, at("08:30", entry(book.Moved, book.Entry{Unit: "stack 1", To: "trough 3", Number: 8000, Trays: "all"}))},
		{`move 2026-A --to "trough 3" --number all`, entry(book.Moved, book.Entry{To: "trough 3"})},
		{`split 2026-A 2026-A2 --number 5000`, entry(book.Split, book.Entry{Other: "2026-A2", Number: 5000})},
		{`split 2026-A 2026-A2 --number 5000 --from "stack 1" --to "trough 4"`, entry(book.Split, book.Entry{Other: "2026-A2", Number: 5000, Unit: "stack 1", To: "trough 4"})},
		{`split 2026-A 2026-A2 --number 5000 --trays 3-4`, entry(book.Split, book.Entry{Other: "2026-A2", Number: 5000, Trays: "3-4"})},
		{`merge 2026-A 2026-B`, entry(book.Merged, book.Entry{Other: "2026-B"})},
		{`eyed 2026-A --when "2026-11-14 08:30"`, at("2026-11-14 08:30", entry(book.Eyed, book.Entry{}))},
		{`shocked 2026-A`, entry(book.Shocked, book.Entry{})},
		{`shocked 2026-A --dead 640 --unit "stack 1"`, entry(book.Shocked, book.Entry{Number: 640, Unit: "stack 1"})},
		{`picked 2026-A --dead 42`, entry(book.Picked, book.Entry{Number: 42})},
		{`picked 2026-A --dead 1,042 --unit "stack 1"`, entry(book.Picked, book.Entry{Number: 1042, Unit: "stack 1"})},
		{`hatched 2026-A first`, entry(book.Hatched, book.Entry{Part: book.First})},
		{`hatched 2026-A half`, entry(book.Hatched, book.Entry{Part: book.Half})},
		{`hatched 2026-A last`, entry(book.Hatched, book.Entry{Part: book.Last})},
		{`swim-up 2026-A`, entry(book.SwimUp, book.Entry{})},
		{`fed 2026-A`, entry(book.FirstFed, book.Entry{})},
		{`weighed 2026-A --fish 50 --weight "31 g"`, entry(book.Weighed, book.Entry{Sample: &book.Sample{Number: 50, WeightG: 31}})},
		// 1 lb is 453.59237 g and 1 in 25.4 mm (NIST SP 811, from memory).
		{`weighed 2026-A --fish 50 --weight "1 lb" --length "2in" --unit "trough 3"`, entry(book.Weighed, book.Entry{Unit: "trough 3", Sample: &book.Sample{Number: 50, WeightG: 453.59237, LengthMM: 50.8}})},
		{`weighed 2026-A --fish 50 --weight "16 oz" --length "5.5 cm"`, entry(book.Weighed, book.Entry{Sample: &book.Sample{Number: 50, WeightG: 453.59237, LengthMM: 55}})},
		{`counted 2026-A --number 7950 --unit "trough 3"`, entry(book.Counted, book.Entry{Unit: "trough 3", Count: &book.Count{Method: book.Direct, Number: 7950}})},
		{`counted 2026-A --number 0`, entry(book.Counted, book.Entry{Count: &book.Count{Method: book.Direct}})},
		{`counted 2026-A --sample 412 --sample-volume "50 ml" --total-volume "0.3 mL"`, entry(book.Counted, book.Entry{Count: &book.Count{Method: book.ByVolume, SampleNumber: 412, SampleAmount: 50, TotalAmount: 0.3}})},
		{`counted 2026-A --sample 100 --sample-weight "8.2 g" --total-weight "3.1 kg"`, entry(book.Counted, book.Entry{Count: &book.Count{Method: book.ByWeight, SampleNumber: 100, SampleAmount: 8.2, TotalAmount: 3100}})},
		{`shipped 2026-A --to-place "mill pond"`, entry(book.Shipped, book.Entry{Place: "mill pond"})},
		{`shipped 2026-A --to-place "mill pond" --number 2000 --unit "raceway 1"`, entry(book.Shipped, book.Entry{Place: "mill pond", Number: 2000, Unit: "raceway 1"})},
		{`transferred 2026-A --to-place "lower station" --number all`, entry(book.Transferred, book.Entry{Place: "lower station"})},
		{`lost 2026-A --number 350 --why "screen out" --unit "trough 3"`, entry(book.Lost, book.Entry{Number: 350, Text: "screen out", Unit: "trough 3"})},
		{`lost 2026-A --number all --why "pump failed"`, entry(book.Lost, book.Entry{Text: "pump failed"})},
		{`note 2026-A "fungus in tray 3, salt given"`, entry(book.Note, book.Entry{Text: "fungus in tray 3, salt given"})},
		{`note 2026-A -- "-3 on the roof"`, entry(book.Note, book.Entry{Text: "-3 on the roof"})},
		{`correct 12 picked 2026-A --dead 24`, entry(book.Picked, book.Entry{Corrects: 12, Number: 24})},
		{`correct 12 hatched 2026-A half --when "2026-12-01 07:00"`, at("2026-12-01 07:00", entry(book.Hatched, book.Entry{Corrects: 12, Part: book.Half}))},
		{
			`correct 1 open 2026-A --species "brook trout" --egg-take "2026-10-14 09:30" --eggs 20000`,
			func() web.LotCommand {
				c := open(book.Opening{Species: "brook trout", Start: lot.Green, Count: direct(20000)}, "", "")
				c.Entry.Corrects = 1
				return c
			}(),
		},
		{`strike 12 --why "wrong lot" --lot 2026-A`, entry(book.Struck, book.Entry{Corrects: 12, Text: "wrong lot"})},
		{`strike 12 --why "wrong lot"`, func() web.LotCommand {
			c := entry(book.Struck, book.Entry{Corrects: 12, Text: "wrong lot"})
			c.Entry.Lot = ""
			return c
		}()},
	}
	seen := map[book.Kind]bool{}
	for _, tt := range tests {
		t.Run(tt.line, func(t *testing.T) {
			d.asked = nil
			code, out, errs := invoke(t, append(append([]string{"lot"}, words(tt.line)...), "--by", "kim", "--at", addr)...)
			if code != exitOK || out != d.said || errs != "" {
				t.Errorf("exit code %d, %q, %q", code, out, errs)
			}
			if diff := cmp.Diff([]any{tt.want}, d.asked); diff != "" {
				t.Errorf("the daemon was told (-want +got):\n%s", diff)
			}
			seen[tt.want.Entry.Kind] = true
		})
	}
	for _, k := range book.Kinds() {
		if !seen[k] {
			t.Errorf("no command writes %q", k)
		}
	}
	ids := map[string]bool{}
	for _, id := range d.ids {
		if len(id) < 20 || ids[id] {
			t.Errorf("entry id %q, of %v", id, d.ids)
		}
		ids[id] = true
	}
}

// TestLotQuestions: what asks, and does not enter anything.
func TestLotQuestions(t *testing.T) {
	d := &lotDaemon{said: "so it is\n"}
	addr := serveLots(t, d)
	tests := []struct {
		line string
		want any
	}{
		{`list`, "list"},
		{`show 2026-A`, [2]string{"2026-A", "text"}},
		{`show "spring/lot 3" --format html`, [2]string{"spring/lot 3", "html"}},
		{`show .. --format days-csv`, [2]string{"..", "days-csv"}},
		{`show 2026-A --format events-csv`, [2]string{"2026-A", "events-csv"}},
		{`stock`, "stock"},
		{`room --number 5,000 --weight "2 g"`, web.RoomQuestion{Number: 5000, WeightG: 2}},
		// 1 oz is 28.349523 g, 1 in 25.4 mm (NIST SP 811, from memory).
		{`room --number 50 --weight "1 oz" --length "5 in" --species "brook trout"`, web.RoomQuestion{Number: 50, WeightG: 28.349523, LengthMM: 127, Species: "brook trout"}},
		{`calendar`, "calendar"},
		{`temperature "stack 1" "8.2 degC" --by kim`, web.HandReading{Unit: "stack 1", TempC: 8.2, By: "kim"}},
		// 46.76 degF is 8.2 degC, by definition of the scales.
		{`temperature "stack 1" 46.76degF --by kim --when 06:30`, web.HandReading{Unit: "stack 1", TempC: 8.2, When: "06:30", By: "kim"}},
	}
	for _, tt := range tests {
		t.Run(tt.line, func(t *testing.T) {
			d.asked = nil
			code, out, errs := invoke(t, append(append([]string{"lot"}, words(tt.line)...), "--at", addr)...)
			if code != exitOK || out != d.said || errs != "" {
				t.Errorf("exit code %d, %q, %q", code, out, errs)
			}
			if diff := cmp.Diff([]any{tt.want}, d.asked); diff != "" {
				t.Errorf("the daemon was asked (-want +got):\n%s", diff)
			}
		})
	}
	t.Run("to a file", func(t *testing.T) {
		d.said = strings.Repeat("a long sheet\r\n", 100_000)
		path := filepath.Join(t.TempDir(), "sheet.html")
		args := []string{"lot", "show", "2026-A", "--format", "html", "--out", path, "--at", addr}
		if code, out, errs := invoke(t, args...); code != exitOK || out+errs != "" {
			t.Errorf("exit code %d, %s%s", code, out, errs)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != d.said {
			t.Errorf("%d bytes, %v; want %d", len(got), err, len(d.said))
		}
		if code, _, errs := invoke(t, args...); code != exitFault || !strings.Contains(errs, "name a new file") {
			t.Errorf("over an existing file: exit code %d, %s", code, errs)
		}
	})
}

// TestLotUsage: a bad command line is said in a sentence, and nothing is sent.
func TestLotUsage(t *testing.T) {
	d := &lotDaemon{}
	addr := serveLots(t, d)
	const many = "say in one way how many there are: --eggs NUMBER, or --sample NUMBER --sample-volume AMOUNT --total-volume AMOUNT, or --sample NUMBER --sample-weight AMOUNT --total-weight AMOUNT"
	tests := []struct{ line, says, try string }{
		{`moved 2026-A`, `there is no command lot moved; did you mean lot move?`, "lot"},
		{`bury 2026-A`, `there is no command lot bury; after lot comes one of list, show, open, place, move,`, "lot"},
		{`move 2026-A`, `lot move needs --to UNIT`, "lot move"},
		{`move --to "trough 3"`, `lot move takes LOT; put names and texts with spaces in quotes`, "lot move"},
		{`move 2026-A --to trough 3`, `lot move takes LOT; put names and texts with spaces in quotes`, "lot move"},
		{`move 2026-A --onto "trough 3"`, `lot move has no --onto; it has --at, --by, --from, --number, --site, --to, --trays, --when`, "lot move"},
		{`move 2026-A --to`, `write something after --to`, "lot move"},
		{`move 2026-A --to "trough 3" --number 0`, `--number: "0" is not a whole number from 1 to 999,999,999, or all; write it like 12400 or 12,400`, "lot move"},
		{`move 2026-A --to "trough 3" --number -5`, `--number: "-5" is not a whole number`, "lot move"},
		{`move 2026-A --to "trough 3" --number 1,2400`, `--number: "1,2400" is not a whole number`, "lot move"},
		{`move 2026-A --to "trough 3" --number 1e4`, `--number: "1e4" is not a whole number`, "lot move"},
		{`split 2026-A 2026-B`, `lot split needs --number NUMBER`, "lot split"},
		{`split 2026-A 2026-B --number all`, `--number: "all" is not a whole number from 1 to 999,999,999; write`, "lot split"},
		{`merge 2026-A`, `lot merge takes LOT INTO;`, "lot merge"},
		{`picked 2026-A`, `lot picked needs --dead NUMBER`, "lot picked"},
		{`hatched 2026-A`, `lot hatched takes LOT first|half|last;`, "lot hatched"},
		{`hatched 2026-A all`, `"all" is no part of a hatch; there are first, half, last`, "lot hatched"},
		{`weighed 2026-A --fish 50 --weight 31`, `--weight: "31" has no unit; write it like "31 g" (g, kg, lb, oz)`, "lot weighed"},
		{`weighed 2026-A --fish 50 --weight "31 grm"`, `--weight: there is no unit "grm"; write it like "31 g" (g, kg, lb, oz)`, "lot weighed"},
		{`weighed 2026-A --fish 50 --weight "31 mm"`, `--weight: "31 mm" is an amount of length, not of mass; write it like "31 g"`, "lot weighed"},
		{`weighed 2026-A --fish 50 --weight "0 g"`, `--weight: "0 g" is not above 0; write it like "31 g"`, "lot weighed"},
		{`weighed 2026-A --fish 50 --weight "31 g" --length 55`, `--length: "55" has no unit; write it like "55 mm" (m, mm, cm, ft, in)`, "lot weighed"},
		{`open 2026-A --egg-take "2026-10-14 09:30" --eggs 5`, `lot open needs --species SPECIES`, "lot open"},
		{`open 2026-A --species trout --eggs 5`, `lot open needs --egg-take TIME`, "lot open"},
		{`open 2026-A --species trout --egg-take 08:30`, many, "lot open"},
		{`open 2026-A --species trout --egg-take 08:30 --eggs 5 --sample 4`, many, "lot open"},
		{`open 2026-A --species trout --egg-take 08:30 --sample 412 --sample-volume "50 mL"`, many, "lot open"},
		{`open 2026-A --species trout --egg-take 08:30 --sample 412 --sample-volume "50 mL" --total-weight "3 kg"`, many, "lot open"},
		{`open 2026-A --species trout --egg-take 08:30 --eggs 5 --start fry`, `--start: there is no stage "fry"; there are green, eyed, hatch, swim-up`, "lot open"},
		{`open 2026-A --species trout --egg-take 08:30 --eggs 5 --start-units 220`, `--start-units: "220" has no unit; write it like "220 degree-days" (degree-days, TU)`, "lot open"},
		{`open 2026-A --species trout --egg-take 08:30 --sample 412 --sample-volume 50`, `--sample-volume: "50" has no unit; write it like "50 mL" (L, m3, mL, gal, ft3)`, "lot open"},
		{`counted 2026-A`, strings.ReplaceAll(many, "--eggs", "--number"), "lot counted"},
		{`lost 2026-A --number 5`, `lot lost needs --why WORDS`, "lot lost"},
		{`lost 2026-A --why flood`, `lot lost needs --number NUMBER`, "lot lost"},
		{`shipped 2026-A`, `lot shipped needs --to-place PLACE`, "lot shipped"},
		{`note 2026-A`, `lot note takes LOT TEXT;`, "lot note"},
		{`note 2026-A fungus in tray 3`, `lot note takes LOT TEXT; put names and texts with spaces in quotes`, "lot note"},
		{`correct`, `lot correct takes ENTRY VERB ...;`, "lot correct"},
		{`correct 12`, `lot correct takes the number of an entry and then what is right, such as: lot correct 12 picked 2026-A --dead 42`, "lot correct"},
		{`correct twelve eyed 2026-A`, `"twelve" is no number of an entry; lot show LOT gives each line its number`, "lot correct"},
		{`correct --by kim 12 eyed 2026-A`, `the number of the entry and the verb come first, then the flags`, "lot correct"},
		{`correct 0 eyed 2026-A`, `"0" is no number of an entry;`, "lot correct"},
		{`correct 12 show 2026-A`, `lot show writes nothing into the record, so it cannot replace entry 12`, "lot correct"},
		{`correct 12 strike 3`, `to take entry 12 back, write: lot strike 12 --why TEXT`, "lot correct"},
		{`correct 12 pickd 2026-A`, `there is no command lot pickd; did you mean lot picked?`, "lot"},
		{`correct 12 picked 2026-A`, `lot picked needs --dead NUMBER`, "lot picked"},
		{`strike 12`, `lot strike needs --why WORDS`, "lot strike"},
		{`strike 2026-A --why mistake`, `"2026-A" is no number of an entry;`, "lot strike"},
		{`temperature "stack 1" 8.2`, `"8.2" has no unit; write it like "8.2 degC" (degC, degF)`, "lot temperature"},
		{`temperature "stack 1" 8.2 degC`, `lot temperature takes UNIT TEMPERATURE;`, "lot temperature"},
		{`room --number 5000`, `lot room needs --weight AMOUNT`, "lot room"},
		{`room --number all --weight "2 g"`, `--number: "all" is not a whole number`, "lot room"},
		{`infer --species "brook trout" --from "7.5 degC" --to "9 degC"`, `lot infer needs --days DAYS`, "lot infer"},
		{`infer --species "brook trout" --days many --from "7.5 degC" --to "9 degC"`, `--days: "many" does not start with a number; write it like "25 days"`, "lot infer"},
		{`infer --species "brook trout" --days 0 --from "7.5 degC" --to "9 degC"`, `--days: "0 d" is not above 0; write it like "25 days"`, "lot infer"},
		{`infer --species "brook trout" --days 25 --from 7.5 --to "9 degC"`, `--from: "7.5" has no unit; write it like "7.5 degC" (degC, degF)`, "lot infer"},
		{`infer --species "brook trout" --days 25 --from "9 degC" --to "7.5 degC"`, `--from is warmer than --to; write the coldest first`, "lot infer"},
		{`list all`, `lot list takes no arguments besides its flags`, "lot list"},
		{`show 2026-A --format pdf`, `there is no format "pdf"; there are text, html, days-csv, events-csv`, "lot show"},
	}
	for _, tt := range tests {
		t.Run(tt.line, func(t *testing.T) {
			e, out, errs := testEnv()
			e.getenv = func(string) string { return "kim" }
			args := append([]string{"lot"}, words(tt.line)...)
			if len(args) > 2 && args[1] != "infer" && args[len(args)-1] != "--to" {
				args = append(args, "--at", addr)
			}
			code := run(t.Context(), args, e)
			if code != exitUsage || out.String() != "" {
				t.Errorf("exit code %d, %q", code, out)
			}
			if got := errs.String(); !strings.HasPrefix(got, "weirkeeper: "+tt.says) || !strings.HasSuffix(got, "\nTry: weirkeeper "+tt.try+" --help\n") || strings.Count(got, "\n") != 2 {
				t.Errorf("it says %q\nwant      %q", got, tt.says)
			}
		})
	}
	if code, _, errs := invoke(t, "lot", "eyed", "2026-A", "--at", addr); code != exitUsage || errs != "weirkeeper: say who you are: --by NAME\nTry: weirkeeper lot eyed --help\n" {
		t.Errorf("nobody: exit code %d, %s", code, errs)
	}
	if code, out, errs := invoke(t, "lot"); code != exitUsage || out != "" || !strings.Contains(errs, "lot move LOT") {
		t.Errorf("lot alone: exit code %d, %s%s", code, out, errs)
	}
	if len(d.asked) > 0 {
		t.Errorf("the daemon was told %v", d.asked)
	}
}

func TestLotRefused(t *testing.T) {
	d := &lotDaemon{}
	addr := serveLots(t, d)
	lines := []string{
		`move 2026-A --to "trough 3"`, `correct 12 picked 2026-A --dead 24`, `strike 12 --why "wrong lot"`, `temperature "stack 1" "8.2 degC"`,
		`list`, `show 2026-A`, `stock`, `room --number 5 --weight "2 g"`, `calendar`,
	}
	tests := []struct {
		err  error
		says string
	}{
		{&book.Refusal{Reason: "8,000 are more than the 7,400 there are in stack 1"}, "refused: 8,000 are more than the 7,400 there are in stack 1"},
		{&web.UnknownLotError{Lot: "2026-X", Nearest: "2026-A"}, `refused: there is no lot "2026-X"; did you mean "2026-A"?`},
		{fmt.Errorf("--when: %w", &web.BadTimeError{Text: "noon"}), `refused: --when: "noon" is no time; write "2026-11-20 08:30", "08:30" for today, or 2026-11-20T08:30:00Z`},
		{errors.New("there is no unit \"stack 9\""), `refused: there is no unit "stack 9"`},
		{context.DeadlineExceeded, "refused: the daemon was too busy to answer in time; a command may have been carried out all the same: look before you give it again"},
	}
	for _, tt := range tests {
		d.err = tt.err
		for _, line := range lines {
			e, out, errs := testEnv()
			e.getenv = func(string) string { return "kim" }
			code := run(t.Context(), append(append([]string{"lot"}, words(line)...), "--at", addr), e)
			if code != exitFault || out.String() != "" || errs.String() != "weirkeeper: "+tt.says+"\n" {
				t.Errorf("lot %s: exit code %d, %q, %q; want %q", line, code, out, errs, tt.says)
			}
		}
	}
}

// TestLotInfer: about 25 days on spring water between 7.5 and 9 degC from placing
// to hatch (common practice, no source) are 187.5 to 225 degree-days.
func TestLotInfer(t *testing.T) {
	path := filepath.Join(writeFiles(t, map[string]string{"site.hcl": answerSite + `
species "brook trout" {
  needs {
    hatch = ["410 degree-days", "450 degree-days"]
  }
}
`}), "site.hcl")
	tests := []struct {
		line string
		says string
	}{
		{`--species "brook trout" --days 25 --from "7.5 degC" --to "9 degC"`, lot.Infer(lot.Profile{Species: "brook trout"}, lot.Range{Low: 187.5, High: 225}).String()},
		// 45.5 and 48.2 degF are 7.5 and 9 degC, by definition of the scales.
		{`--species " brook trout" --days "25 days" --from "45.5 degF" --to "48.2 degF"`, lot.Infer(lot.Profile{Species: "brook trout"}, lot.Range{Low: 187.5, High: 225}).String()},
		{`--species "brown trout" --days 25 --from "-1 degC" --to "9 degC"`, lot.Infer(lot.Profile{Species: "brown trout"}, lot.Range{Low: 0, High: 225}).String()},
		{`--species "Brook Trout" --days 25 --from "7.5 degC" --to "9 degC" --site ` + path, "410 to 450 degree-days"},
	}
	for _, tt := range tests {
		code, out, errs := invoke(t, append([]string{"lot", "infer"}, words(tt.line)...)...)
		if code != exitOK || errs != "" || !strings.Contains(out, tt.says) {
			t.Errorf("lot infer %s: exit code %d, %s%s\nwant %s", tt.line, code, out, errs, tt.says)
		}
	}
}

// TestLotHelp: each verb explains itself, by examples that work.
func TestLotHelp(t *testing.T) {
	d := &lotDaemon{said: "so it is\n"}
	addr := serveLots(t, d)
	t.Chdir(t.TempDir()) // one example writes a file
	for _, v := range lotVerbs() {
		for _, flag := range []string{"--help", "-h"} {
			code, out, errs := invoke(t, "lot", v.name, flag)
			if code != exitOK || errs != "" || !strings.HasPrefix(out, "weirkeeper lot "+v.name) || !strings.Contains(out, v.short) {
				t.Errorf("lot %s %s: exit code %d, %s%s", v.name, flag, code, out, errs)
			}
			for _, ex := range v.examples {
				if !strings.Contains(out, "  weirkeeper "+ex+"\n") {
					t.Errorf("lot %s %s does not show %s:\n%s", v.name, flag, ex, out)
				}
			}
		}
		at := []string{"--at", addr}
		if v.name == "infer" {
			at = nil
		}
		for _, ex := range v.examples {
			e, _, errs := testEnv()
			e.getenv = func(string) string { return "kim" }
			if code := run(t.Context(), append(words(ex), at...), e); code != exitOK {
				t.Errorf("%s: exit code %d, %s", ex, code, errs)
			}
		}
		if !strings.Contains(lotOverview(), "  lot "+v.name+" ") {
			t.Errorf("the overview has no lot %s", v.name)
		}
	}
	for _, args := range [][]string{{"lot", "--help"}, {"lot", "help"}} {
		if code, out, _ := invoke(t, args...); code != exitOK || out != lotOverview() {
			t.Errorf("%v: exit code %d, %s", args, code, out)
		}
	}
}

// TestDaemonAddress: where the daemon is, by --at or out of the site file.
func TestDaemonAddress(t *testing.T) {
	d := &lotDaemon{said: "so it is\n"}
	addr := serveLots(t, d)
	_, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	file := func(listen string) string {
		return filepath.Join(writeFiles(t, map[string]string{"site.hcl": strings.Replace(answerSite, `listen = "127.0.0.1:0"`, fmt.Sprintf("listen = %q", listen), 1)}), "site.hcl")
	}
	nowhere := closedAddress(t)
	tests := []struct {
		name string
		args []string
		code int
		says string
	}{
		{"the site's", []string{"--site", file(addr)}, exitOK, "so it is\n"},
		{"all addresses", []string{"--site", file(":" + port)}, exitOK, "so it is\n"},
		{"all IPv4 addresses", []string{"--site", file("0.0.0.0:" + port)}, exitOK, "so it is\n"},
		{"all IPv6 addresses", []string{"--site", file("[::]:" + port)}, exitOK, "so it is\n"},
		{"--at before the site's", []string{"--site", file(nowhere), "--at", addr}, exitOK, "so it is\n"},
		{"nobody there", []string{"--site", file(nowhere)}, exitFault, "the daemon at " + nowhere + " cannot be reached"},
		{"no address", []string{"--at", "no such place"}, exitFault, `the address "no such place" is not one: write HOST:PORT`},
		{"no file", []string{"--site", "nowhere.hcl"}, exitFault, "read the site file: open nowhere.hcl"},
		{"a bad file", []string{"--site", file("here")}, exitFault, "Error: Not an address"},
	}
	for _, tt := range tests {
		for _, c := range [][]string{{"ack", "--by", "kim"}, {"done", "--by", "kim", "cleaning"}, {"lot", "list"}, {"lot", "eyed", "2026-A", "--by", "kim"}} {
			code, out, errs := invoke(t, append(c, tt.args...)...)
			if code != tt.code || !strings.Contains(out+errs, tt.says) {
				t.Errorf("%s: %v: exit code %d, %s%s", tt.name, c, code, out, errs)
			}
		}
	}
}

// closedAddress is one where nobody listens.
func closedAddress(t *testing.T) string {
	t.Helper()
	s := httptest.NewServer(nil)
	defer s.Close()
	return s.Listener.Addr().String()
}

// TestLotNoAnswer: when the answer does not come, an entry is given once more
// under the same id, and what cannot be known is said.
func TestLotNoAnswer(t *testing.T) {
	var mu sync.Mutex
	var bodies []string // guarded by mu, as is drop
	var drop int
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		mu.Lock()
		bodies = append(bodies, string(b))
		dropped := len(bodies) <= drop
		mu.Unlock()
		if dropped {
			panic(http.ErrAbortHandler)
		}
		fmt.Fprintln(w, "Written.")
	}))
	defer s.Close()
	addr := s.Listener.Addr().String()
	picked := []string{"lot", "picked", "2026-A", "--dead", "42"}
	const unknown = "it may have been done all the same: look before you do it again"
	tests := []struct {
		name string
		args []string
		drop int
		code int
		says string
		told int
	}{
		{"the second is answered", picked, 1, exitOK, "Written.\n", 2},
		{"none is answered", picked, 2, exitFault, unknown, 2},
		{"a chore is not recorded twice", []string{"done", "cleaning"}, 1, exitFault, unknown, 1},
	}
	for _, tt := range tests {
		mu.Lock()
		bodies, drop = nil, tt.drop
		mu.Unlock()
		code, out, errs := invoke(t, append(tt.args, "--by", "kim", "--at", addr)...)
		mu.Lock()
		if code != tt.code || !strings.Contains(out+errs, tt.says) || len(bodies) != tt.told || bodies[0] != bodies[len(bodies)-1] {
			t.Errorf("%s: exit code %d, %s%s, told %q", tt.name, code, out, errs, bodies)
		}
		mu.Unlock()
	}
}

func (d *lotDaemon) Act(_ context.Context, c web.ActCommand) (string, error) {
	d.ids = append(d.ids, c.Act.ID)
	c.Act.ID = ""
	return d.note(c)
}

func (*lotDaemon) Reload(context.Context) (string, error) { return "read anew\n", nil }

func (*lotDaemon) Reset(_ context.Context, key alarm.Key, by string) (string, error) {
	return "Reset: " + string(key) + " by " + by + "\n", nil
}
