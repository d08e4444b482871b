package payload_test

import (
	"math"
	"testing"
	"time"

	"weirkeeper/ingest/payload"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// FuzzDecode holds that no payload makes a decoder panic, and that whatever
// it returns is finite, of a known probe and of a time from 1970 to 2100.
func FuzzDecode(f *testing.F) {
	var decoders []*payload.Decoder
	for _, probes := range [][]site.Probe{
		{{ID: "a", Quantity: reading.Flow, Format: site.Number, Unit: measure.GPM}},
		{
			{ID: "a", Quantity: reading.Temperature, Format: site.JSON, Unit: measure.DegF, ValuePath: "water.temp", TimePath: "ts", TimeFormat: site.UnixSeconds},
			{ID: "b", Quantity: reading.Flow, Format: site.JSON, Unit: measure.LPM, ValuePath: "values.0", TimePath: "ms", TimeFormat: site.UnixMillis},
			{ID: "c", Quantity: reading.Oxygen, Format: site.JSON, Unit: measure.MgL, ValuePath: "", TimePath: "at", TimeFormat: site.RFC3339},
		},
		{
			{ID: "a", Quantity: reading.Temperature, Format: site.SenML, Unit: measure.DegC},
			{ID: "b", Quantity: reading.Flow, Format: site.SenML, Unit: measure.LPM, RecordName: "stack-1/flow"},
			{ID: "c", Quantity: reading.Saturation, Format: site.SenML, Unit: measure.PercentSat},
		},
	} {
		d, err := payload.NewDecoder(probes)
		if err != nil {
			f.Fatal(err)
		}
		decoders = append(decoders, d)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		for i, d := range decoders {
			samples, errs := d.Decode(b, arrived)
			if len(samples) == 0 && len(errs) == 0 {
				t.Errorf("decoder %d: neither a sample nor an error", i)
			}
			for _, s := range samples {
				if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
					t.Errorf("decoder %d: value %v", i, s.Value)
				}
				if s.Probe != "a" && s.Probe != "b" && s.Probe != "c" {
					t.Errorf("decoder %d: probe %q", i, s.Probe)
				}
				if y := s.DeviceAt.Year(); !s.DeviceAt.IsZero() && (y < 1970 || y > 2100) {
					t.Errorf("decoder %d: time %v", i, s.DeviceAt)
				}
				if s.Relative && s.DeviceAt.IsZero() {
					t.Errorf("decoder %d: relative without a time", i)
				}
				if !s.DeviceAt.IsZero() && s.DeviceAt.Location() != time.UTC {
					t.Errorf("decoder %d: time not in UTC", i)
				}
			}
			for _, err := range errs {
				if len(err.Error()) > 4<<10 {
					t.Errorf("decoder %d: an error of %d bytes", i, len(err.Error()))
				}
			}
		}
	})
}
