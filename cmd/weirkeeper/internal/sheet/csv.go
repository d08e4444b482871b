package sheet

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules"
	"weirkeeper/rules/site"
)

// writeCSV writes rows as RFC 4180 says.
func writeCSV(w io.Writer, rows [][]string) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	return c.WriteAll(rows)
}

// DaysCSV writes the lot's days, one a row, with a head line that names the
// units: the mean temperature as the keeper reads it, degree-days and TU of the
// day and in all from fertilisation (empty where that is not one sum), and the
// hours by how they were known.
func DaysCSV(w io.Writer, s *rules.LotSheet, at *site.Site) error {
	show := at.Show.Temperature
	rows := [][]string{{
		"lot", "date", "mean_" + show.String(), "degree_days", "TU", "plus_minus_degree_days", "total_degree_days", "total_TU",
		"own_probe_h", "short_gaps_h", "stand_in_h", "by_hand_h", "not_known_h",
	}}
	figure := func(v float64) string { return strconv.FormatFloat(v, 'f', 3, 64) }
	total, first, _ := totals(s, at.Location)
	for i, d := range s.Days {
		u := d.Units
		row := []string{
			Guard(s.Lot.ID), d.Date.In(at.Location).Format(time.DateOnly), figure(show.FromBase(float64(d.MeanC))), figure(float64(u.DegreeDays)),
			figure(u.DegreeDays.TUF()), figure(float64(u.PlusMinus)), "", "",
		}
		if i >= first {
			row[6], row[7] = figure(float64(total[i])), figure(total[i].TUF())
		}
		for _, h := range []time.Duration{u.Measured, u.Bridged, u.StandIn, u.ByHand, u.Unsupported} {
			row = append(row, figure(h.Hours()))
		}
		rows = append(rows, row)
	}
	return writeCSV(w, rows)
}

// EventsCSV writes the lot's entries, corrected ones included, one a row with a
// head line. Times are RFC 3339 in the site's time zone.
func EventsCSV(w io.Writer, s *rules.LotSheet, at *site.Site) error {
	rows := [][]string{{
		"entry", "lot", "kind", "at", "recorded_at", "by", "words", "unit", "to", "trays", "number", "other_lot", "place", "part", "text",
		"corrects", "corrected_by", "problem",
	}}
	when := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.In(at.Location).Format(time.RFC3339)
	}
	whole := func(n int64) string {
		if n == 0 {
			return ""
		}
		return strconv.FormatInt(n, 10)
	}
	for _, x := range s.Lines {
		row := []string{
			whole(x.Seq), x.Lot, string(x.Kind), when(x.At), when(x.RecordedAt), x.By, x.Words(), x.Unit, x.To, x.Trays,
			whole(int64(x.Number)), x.Other, x.Place, string(x.Part), x.Text, whole(x.Corrects), whole(x.CorrectedBy), x.Problem,
		}
		for i, cell := range row {
			if i > 0 { // the number of what the site file states is below zero
				row[i] = Guard(cell)
			}
		}
		rows = append(rows, row)
	}
	return writeCSV(w, rows)
}

// Guard keeps a spreadsheet from taking words for a formula: it reads a cell
// that starts with an apostrophe as text.
func Guard(cell string) string {
	if cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
		return "'" + cell
	}
	return cell
}
