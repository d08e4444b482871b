package sheet

import (
	"strconv"
	"strings"
	"time"

	"weirkeeper/rules/reading"
)

// ReadingColumns are the heads of a file of readings.
func ReadingColumns() []string {
	return []string{"probe", "at", "value", "unit", "flags", "device_at", "arrived_at", "mid"}
}

// ReadingRow is a reading in those columns; unit names the base unit of its
// quantity.
func ReadingRow(r reading.Reading, unit string) []string {
	return []string{
		string(r.Probe), Stamp(r.At), Float(r.Value), unit, strings.ReplaceAll(r.Flags.String(), ",", " "),
		Stamp(r.DeviceAt), Stamp(r.ArrivedAt), strconv.Itoa(int(r.MID)),
	}
}

// StampLayout is how files of records write a time: RFC 3339 with microseconds, UTC.
const StampLayout = "2006-01-02T15:04:05.000000Z"

// Stamp writes a time in StampLayout; "" for none.
func Stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(StampLayout)
}

// Float is the shortest text that reads back as the same number.
func Float(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
