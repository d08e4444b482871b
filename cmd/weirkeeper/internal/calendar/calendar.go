// Package calendar writes what is to come as an iCalendar feed (RFC 5545): the
// days on which lots are expected to reach each stage, and the chores of the
// next two weeks. A calendar program that reads it again and again finds each
// event under the same UID and moves it, rather than adding another.
package calendar

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/google/uuid"

	"weirkeeper/cmd/weirkeeper/internal/sheet"
	"weirkeeper/rules"
	"weirkeeper/rules/lot"
	"weirkeeper/rules/site"
)

// choreDays is for how many days, today included, chores are listed.
const choreDays = 14

// refresh is how often a reader should ask again. Forecasts move by the day.
const refresh = "PT6H"

// Write writes the feed as it stands at now. Stages are events of whole days in
// the site's time zone, from the earliest day to the latest; chores are at the
// hour by which they must be done, as UTC, so that a reader needs no rules for
// the site's clock.
//
// RFC 5545 wants at least one component in a calendar. When nothing is to come
// there is a VTIMEZONE alone, which is one and shows nothing.
func Write(w io.Writer, s *site.Site, lots []rules.LotView, now time.Time) error {
	c := ics.NewCalendar()
	c.SetProductId("-//weirkeeper//lots and chores//EN")
	// RFC 7986. The library's SetName would add a name that is in no standard.
	c.CalendarProperties = append(c.CalendarProperties,
		ics.CalendarProperty{BaseProperty: ics.BaseProperty{IANAToken: "NAME", Value: clean(s.Name + ", lots and chores")}},
		ics.CalendarProperty{BaseProperty: ics.BaseProperty{
			IANAToken: "REFRESH-INTERVAL", Value: refresh, ICalParameters: map[string][]string{"VALUE": {"DURATION"}},
		}})

	for _, v := range lots {
		if !v.Lot.Finished.IsZero() {
			continue
		}
		for _, f := range v.Forecast {
			if f.Why == "" {
				stage(c, s, v, f, now)
			}
		}
	}
	chores(c, s, now)
	if len(c.Components) == 0 {
		zone := c.AddTimezone("Etc/UTC")
		std := zone.AddStandard()
		std.AddProperty(ics.ComponentPropertyDtStart, "19700101T000000")
		std.AddProperty(ics.ComponentProperty(ics.PropertyTzoffsetfrom), "+0000")
		std.AddProperty(ics.ComponentProperty(ics.PropertyTzoffsetto), "+0000")
	}
	// Into memory first: the library does not say when the last line fails.
	var b bytes.Buffer
	if err := c.SerializeTo(&b, ics.WithNewLineWindows, ics.WithLineLength(75)); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// stage adds a lot's expected stage.
func stage(c *ics.Calendar, s *site.Site, v rules.LotView, f lot.Forecast, now time.Time) {
	expected := map[lot.Stage]string{lot.Eyed: "eyed", lot.Hatch: "hatch", lot.SwimUp: "swim-up"}[f.Stage]
	summary := fmt.Sprintf("%s %s: %s expected", v.Lot.ID, v.Lot.Species, expected)
	if f.Stage == lot.SwimUp {
		summary += ", first feed"
	}
	when := "Expected " + sheet.Dates(f.Earliest, f.Latest, s.Location) + "."
	if f.Overdue {
		summary = fmt.Sprintf("%s %s: %s due, go and look", v.Lot.ID, v.Lot.Species, expected)
		when = "The whole of what it needs is gathered."
	}
	lines := []string{when + " An estimate, not a promise.", "Gathered: " + sheet.Gathered(v.Units.DegreeDays, f.Need) + "."}
	if f.Need.Source != "" {
		lines = append(lines, "Requirement: "+f.Need.Source+".")
	}
	for _, q := range sheet.Quality(v, s) {
		lines = append(lines, "How known: "+q+".")
	}
	if v.Tender.Tender {
		lines = append(lines, "TENDER: neither move nor shock.")
	}
	e := event(c, now, summary, lines, "stage", s.Name, v.Lot.ID, string(f.Stage))
	e.SetAllDayStartAt(f.Earliest.In(s.Location))
	last := f.Latest.In(s.Location)
	e.SetAllDayEndAt(time.Date(last.Year(), last.Month(), last.Day()+1, 0, 0, 0, 0, time.UTC)) // the end is not part of it
	var units []string
	for _, h := range v.Lot.Holdings {
		units = append(units, h.Unit)
	}
	if len(units) > 0 {
		e.SetLocation(clean(strings.Join(units, ", ")))
	}
}

// chores adds every chore of the days to come.
func chores(c *ics.Calendar, s *site.Site, now time.Time) {
	today := now.In(s.Location)
	for day := range choreDays {
		for _, ch := range s.Chores {
			if !ch.On(time.Date(today.Year(), today.Month(), today.Day()+day, 12, 0, 0, 0, s.Location)) {
				continue
			}
			for _, m := range ch.By {
				at := time.Date(today.Year(), today.Month(), today.Day()+day, 0, m, 0, 0, s.Location)
				summary := fmt.Sprintf("%s by %s", ch.Name, at.Format("15:04"))
				lines := []string{"To be done by then, once for the whole site."}
				if len(ch.Units) > 0 {
					lines = []string{"To be done by then at: " + strings.Join(ch.Units, ", ") + "."}
				}
				e := event(c, now, summary, lines, "chore", s.Name, ch.Name, at.Format(time.DateOnly), fmt.Sprint(m))
				e.SetStartAt(at)
				if len(ch.Units) > 0 {
					e.SetLocation(clean(strings.Join(ch.Units, ", ")))
				}
			}
		}
	}
}

// namespace is that of our UIDs, chosen at random once and for all.
var namespace = uuid.MustParse("62a41acb-0e41-4174-a307-70b4cb393eb2")

// event adds an event whose UID follows from what it is about: a UUID, as RFC
// 7986 asks for, that tells nothing of the site. It does not make anybody busy.
func event(c *ics.Calendar, now time.Time, summary string, lines []string, about ...string) *ics.VEvent {
	e := c.AddEvent(uuid.NewSHA1(namespace, fmt.Appendf(nil, "%q", about)).String())
	e.SetDtStampTime(now)
	e.SetSummary(clean(summary))
	e.SetDescription(clean(strings.Join(lines, "\n")))
	e.SetTimeTransparency(ics.TransparencyTransparent)
	return e
}

// clean takes out what RFC 5545 allows in no text: control characters other than
// line breaks, and bytes that are not UTF-8.
func clean(s string) string {
	s = strings.ReplaceAll(s, "\r\n", "\n")
	return strings.Map(func(r rune) rune {
		if (r < ' ' && r != '\n' && r != '\t') || r == 0x7f {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
}
