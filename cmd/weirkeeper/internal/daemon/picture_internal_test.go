package daemon

import (
	"bytes"
	"context"
	"errors"
	"image/png"
	"iter"
	"log/slog"
	"testing"
	"time"

	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

func TestPicture(t *testing.T) {
	now := time.Date(2026, 10, 15, 3, 12, 0, 0, time.UTC)
	litres, err := measure.Parse("1 L/min")
	if err != nil {
		t.Fatal(err)
	}
	broken := errors.New("the record is gone")
	var asked []reading.ProbeID
	var fail error
	a := &artist{
		site: &site.Site{
			Location: time.UTC, Show: site.Show{Flow: litres.Unit},
			Probes: []site.Probe{{ID: "flow 3", Quantity: reading.Flow, At: "trough 3", Every: time.Minute}, {ID: "door", Quantity: reading.Contact}, {ID: "flow 4", Quantity: reading.Flow, At: "trough 4"}},
		},
		standing: func(context.Context) ([]alarm.Transition, error) {
			return []alarm.Transition{
				{Key: "low", Probe: "flow 3", To: alarm.Unacknowledged, At: now, Detail: "11.2 L/min, setpoint 28 L/min"},
				{Key: "over", Probe: "flow 3", From: alarm.Unacknowledged, To: alarm.ReturnedUnacknowledged},
				{Key: "door", Probe: "door", To: alarm.Unacknowledged},
				{Key: "self", To: alarm.Unacknowledged},
				{Key: "silent", Probe: "flow 4", To: alarm.Unacknowledged},
			}, fail
		},
		readings: func(_ context.Context, id reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error] {
			asked = append(asked, id)
			if from != now.Add(-6*time.Hour) || !to.After(now) {
				t.Errorf("readings from %v to %v", from, to)
			}
			return func(yield func(reading.Reading, error) bool) {
				if id == "flow 4" {
					yield(reading.Reading{}, broken)
					return
				}
				_ = yield(reading.Reading{Probe: id, At: now.Add(-time.Minute), Value: 11.2}, nil) &&
					yield(reading.Reading{Probe: id, At: now, Value: 11.2}, nil)
			}
		},
		now: func() time.Time { return now }, log: slog.New(slog.DiscardHandler),
	}
	for _, tt := range []struct {
		name   string
		alarms []alarm.Key
		fail   error
		want   bool
	}{
		{"low flow", []alarm.Key{"low"}, nil, true},
		{"the first that has water", []alarm.Key{"self", "door", "over", "silent", "low"}, nil, true},
		{"none has", []alarm.Key{"self", "door", "over", "gone", "silent"}, nil, false},
		{"no record", []alarm.Key{"low"}, broken, false},
	} {
		fail = tt.fail
		got := a.attach(t.Context(), callout.Message{ID: "a", Alarms: tt.alarms})
		if (len(got) == 1) != tt.want {
			t.Errorf("%s: %d pictures, want one %v", tt.name, len(got), tt.want)
		}
		for _, p := range got {
			if _, err := png.Decode(bytes.NewReader(p.Data)); err != nil || p.ContentType != "image/png" {
				t.Errorf("%s: %s, %v", tt.name, p.ContentType, err)
			}
		}
	}
	if len(asked) == 0 {
		t.Error("no readings were asked for")
	}
}

// The setpoint in force is read back from the alarm's own words.
func TestSetpointWords(t *testing.T) {
	for _, tt := range []struct {
		detail string
		q      reading.Quantity
		want   float64
		ok     bool
	}{
		{"11.2 L/min, setpoint 28 L/min", reading.Flow, 28, true},
		{"just under 28.0 L/min, setpoint 28.0 L/min (spring)", reading.Flow, 28, true},
		{"50.0 degF, setpoint 50.0 degF", reading.Temperature, 10, true},
		{"5.1 mg/L (44% saturation), setpoint 60% saturation", reading.Oxygen, 0, false},
		{"44% saturation, setpoint 60% saturation", reading.Saturation, 60, true},
		{"setpoint", reading.Flow, 0, false},
		{"", reading.Flow, 0, false},
	} {
		if v, ok := setpoint(tt.detail, tt.q); ok != tt.ok || v < tt.want-1e-9 || v > tt.want+1e-9 {
			t.Errorf("%q: %v, %v, want %v, %v", tt.detail, v, ok, tt.want, tt.ok)
		}
	}
}
