package web

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/measure"
)

// LotKeeper is what the web side needs of the daemon for the lots. Errors:
// *UnknownLotError, *BadTimeError, *book.Refusal; of the commands any other
// error is a refusal too.
type LotKeeper interface {
	// EnterLot writes an entry and words what was written; each warning is a
	// line of its own that begins "Warning: ".
	EnterLot(ctx context.Context, c LotCommand) (said string, err error)
	// LotList is the board, as text.
	LotList(ctx context.Context) (string, error)
	// LotSheet is the record sheet of a lot in one of Formats.
	LotSheet(ctx context.Context, id, format string) (contentType string, body []byte, err error)
	// Stock is the arithmetic of every unit that holds a lot, as text.
	Stock(ctx context.Context) (string, error)
	// Room says where such fish would fit, as text.
	Room(ctx context.Context, q RoomQuestion) (string, error)
	// Thermometer writes a reading by hand and words what was written.
	Thermometer(ctx context.Context, h HandReading) (said string, err error)
	// Calendar is the predicted dates and the chores as iCalendar, RFC 5545.
	Calendar(ctx context.Context) ([]byte, error)
}

// Formats are those of a record sheet, the first is the default.
func Formats() []string { return []string{"text", "html", "days-csv", "events-csv"} }

// LotCommand is the body of POST /lots/entries, JSON.
type LotCommand struct {
	// Entry is what has happened. Its ID is the sender's, so that the same
	// command given twice is written once. Seq, At and RecordedAt, the egg
	// take of an opening, and the lot of a Struck entry where it is "" are
	// the daemon's to fill in.
	Entry book.Entry `json:"entry"`
	// When is the time as the keeper wrote it, see ParseWhen. "" is now or,
	// for an entry that replaces another, the time of that one.
	When string `json:"when,omitempty"`
	// EggTake is that of an opening, written in the same way.
	EggTake string `json:"egg_take,omitempty"`
}

// HandReading is the body of POST /thermometer, JSON.
type HandReading struct {
	Unit  string        `json:"unit"`
	TempC measure.TempC `json:"deg_c"`
	// When is as in LotCommand; "" is now.
	When string `json:"when,omitempty"`
	By   string `json:"by"`
}

// RoomQuestion asks where fish would fit; in GET /room the parameters number,
// weight_g, length_mm and species.
type RoomQuestion struct {
	Number int // at least 1
	// WeightG is the mean weight of one, grams, above 0.
	WeightG measure.MassG
	// LengthMM is their mean length, mm; 0 takes it from the weight.
	LengthMM float64
	Species  string // "" when not said
}

// UnknownLotError says that no lot has this ID.
type UnknownLotError struct {
	Lot     string
	Nearest string // the known ID that looks like it, or ""
}

func (e *UnknownLotError) Error() string {
	if e.Nearest != "" {
		return fmt.Sprintf("there is no lot %q; did you mean %q?", e.Lot, e.Nearest)
	}
	return fmt.Sprintf("there is no lot %q; weirkeeper lot list names them all", e.Lot)
}

// BadTimeError says that a text is no time, and what would be.
type BadTimeError struct {
	Text string
	// Skipped: the clocks went forward over that hour.
	Skipped bool
}

func (e *BadTimeError) Error() string {
	if e.Skipped {
		return fmt.Sprintf("there was no %q: the clocks went forward over that hour", e.Text)
	}
	return fmt.Sprintf(`%q is no time; write "2026-11-20 08:30", "08:30" for today, or 2026-11-20T08:30:00Z`, e.Text)
}

// ParseWhen reads a time as a keeper writes it: "2026-11-20 08:30" (with seconds
// or a T if you like) or "08:30", today, in the zone; or RFC 3339 with its own.
// The result is UTC. A day without an hour is none: half a day of units hangs
// on it. Of an hour that came twice, when the clocks went back, it is one; RFC
// 3339 says which.
//
// Errors: *BadTimeError.
func ParseWhen(text string, now time.Time, zone *time.Location) (time.Time, error) {
	s := strings.TrimSpace(text)
	if t, err := time.Parse(time.RFC3339Nano, s); err == nil {
		return t.UTC(), nil
	}
	if _, err := time.Parse("15:04", s); err == nil {
		s = now.In(zone).Format(time.DateOnly) + " " + s
	}
	for _, layout := range []string{"2006-01-02 15:04", time.DateTime, "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		wanted, err := time.Parse(layout, s)
		if err != nil {
			continue
		}
		t, err := time.ParseInLocation(layout, s, zone)
		if err != nil || t.Format(time.DateTime) != wanted.Format(time.DateTime) {
			return time.Time{}, &BadTimeError{Text: text, Skipped: true}
		}
		return t.UTC(), nil
	}
	return time.Time{}, &BadTimeError{Text: text}
}

// LotPath is the path of a lot's record sheet. Dots are escaped too: a lot may
// be called "..".
func LotPath(id string) string {
	return "/lots/" + strings.ReplaceAll(url.PathEscape(id), ".", "%2E")
}

// badRequest is what is wrong with a request, in words.
type badRequest string

func (b badRequest) Error() string { return string(b) }

// lotRoutes serves GET /lots, /lots/{id}, /stock, /room and /calendar.ics, and
// POST /lots/entries and /thermometer.
func lotRoutes(mux *http.ServeMux, k LotKeeper, log *slog.Logger) {
	get := func(path string, ask func(context.Context, *http.Request) (contentType string, body []byte, err error)) {
		mux.HandleFunc("GET "+path, func(w http.ResponseWriter, r *http.Request) {
			ctx, cancel := context.WithTimeout(r.Context(), patience)
			defer cancel()
			contentType, body, err := ask(ctx, r)
			if err != nil {
				fail(w, err, http.StatusInternalServerError)
				return
			}
			answer(w, contentType, body)
		})
	}
	get("/lots", func(ctx context.Context, _ *http.Request) (string, []byte, error) {
		s, err := k.LotList(ctx)
		return plain, []byte(s), err
	})
	get("/lots/{id}", func(ctx context.Context, r *http.Request) (string, []byte, error) {
		format := cmp.Or(r.FormValue("format"), Formats()[0])
		if !slices.Contains(Formats(), format) {
			return "", nil, badRequest(fmt.Sprintf("there is no format %q; there are %s", format, strings.Join(Formats(), ", ")))
		}
		return k.LotSheet(ctx, r.PathValue("id"), format)
	})
	get("/stock", func(ctx context.Context, _ *http.Request) (string, []byte, error) {
		s, err := k.Stock(ctx)
		return plain, []byte(s), err
	})
	get("/room", func(ctx context.Context, r *http.Request) (string, []byte, error) {
		q, err := readQuestion(r)
		if err != nil {
			return "", nil, err
		}
		s, err := k.Room(ctx, q)
		return plain, []byte(s), err
	})
	get("/calendar.ics", func(ctx context.Context, _ *http.Request) (string, []byte, error) {
		b, err := k.Calendar(ctx)
		return "text/calendar; charset=utf-8", b, err
	})
	mux.HandleFunc("POST /lots/entries", command(log, maxLotBody, func(c *LotCommand) *string { return &c.Entry.By }, func(ctx context.Context, c LotCommand) (string, error) {
		switch {
		case c.Entry.ID == "":
			return "", badRequest("the entry has no id: choose one, so that the same entry given twice is written once")
		case c.Entry.Seq != 0 || !c.Entry.At.IsZero() || !c.Entry.RecordedAt.IsZero():
			return "", badRequest("the entry's number and times are not the sender's to choose: leave them out, and write the time under when")
		}
		return k.EnterLot(ctx, c)
	}))
	mux.HandleFunc("POST /thermometer", command(log, maxBody, func(h *HandReading) *string { return &h.By }, k.Thermometer))
}

// Path is the path and query that asks q.
func (q RoomQuestion) Path() string {
	v := url.Values{"number": {strconv.Itoa(q.Number)}, "weight_g": {formatFloat(float64(q.WeightG))}}
	if q.LengthMM > 0 {
		v.Set("length_mm", formatFloat(q.LengthMM))
	}
	if q.Species != "" {
		v.Set("species", q.Species)
	}
	return "/room?" + v.Encode()
}

func formatFloat(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func readQuestion(r *http.Request) (RoomQuestion, error) {
	q := RoomQuestion{Species: strings.TrimSpace(r.FormValue("species"))}
	var err error
	if q.Number, err = strconv.Atoi(r.FormValue("number")); err != nil || q.Number < 1 {
		return q, badRequest("number is how many fish are to find room: a whole number from 1, such as number=5000")
	}
	weight, err := strconv.ParseFloat(r.FormValue("weight_g"), 64)
	if err != nil || !(weight > 0) || math.IsInf(weight, 0) {
		return q, badRequest("weight_g is the mean weight of one in grams, above 0, such as weight_g=2.5")
	}
	q.WeightG = measure.MassG(weight)
	if s := r.FormValue("length_mm"); s != "" {
		if q.LengthMM, err = strconv.ParseFloat(s, 64); err != nil || !(q.LengthMM > 0) || math.IsInf(q.LengthMM, 0) {
			return q, badRequest("length_mm is the mean length of one in millimetres, above 0, such as length_mm=60")
		}
	}
	return q, nil
}
