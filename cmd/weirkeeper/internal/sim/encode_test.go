package sim_test

import (
	"encoding/json"
	"math"
	"strconv"
	"testing"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// TestEncode compares the exact payload and reads it back with encoding/json
// alone, converting by the definition of each unit (1 US gallon =
// 3.785411784 L, degF = 1.8 degC + 32).
func TestEncode(t *testing.T) {
	at := time.Date(2026, 11, 20, 18, 0, 1, 250e6, time.UTC) // Unix 1795197601.25
	type fields = map[string]any
	field := func(v any, keys ...any) any {
		for _, k := range keys {
			switch k := k.(type) {
			case string:
				v = v.(fields)[k]
			case int:
				v = v.([]any)[k]
			}
		}
		return v
	}
	same := func(v float64) float64 { return v }
	for _, tc := range []struct {
		name     string
		quantity reading.Quantity
		value    float64
		probe    site.Probe
		want     string
		path     []any                 // to the value
		base     func(float64) float64 // from the payload's unit
		digit    float64               // of the payload, base unit
		when     func(payload any) time.Time
	}{
		{"number degC", reading.Temperature, 8.237, site.Probe{Format: site.Number, Unit: measure.DegC}, `8.24`, nil, same, 0.01, nil},
		{
			"number degF", reading.Temperature, 8.237,
			site.Probe{Format: site.Number, Unit: measure.DegF},
			`46.83`, nil,
			func(f float64) float64 { return (f - 32) / 1.8 }, 0.01 / 1.8, nil,
		},
		{"number below freezing", reading.Temperature, -0.51, site.Probe{Format: site.Number, Unit: measure.DegC}, `-0.51`, nil, same, 0.01, nil},
		{"number nearly zero", reading.Temperature, -0.001, site.Probe{Format: site.Number, Unit: measure.DegC}, `0.00`, nil, same, 0.01, nil},
		{
			"number gpm", reading.Flow, 16.43,
			site.Probe{Format: site.Number, Unit: measure.GPM},
			`4.34`, nil,
			func(g float64) float64 { return g * 3.785411784 }, 0.01 * 3.785411784, nil,
		},
		{
			"number L/s", reading.Flow, 2301.26,
			site.Probe{Format: site.Number, Unit: measure.LPS},
			`38.354`, nil,
			func(l float64) float64 { return l * 60 }, 0.06, nil,
		},
		{"number percent", reading.Saturation, 96.62, site.Probe{Format: site.Number, Unit: measure.PercentSat}, `96.6`, nil, same, 0.1, nil},
		{
			"json object", reading.Oxygen, 10.456,
			site.Probe{Format: site.JSON, Unit: measure.MgL, ValuePath: "water.do"},
			`{"water":{"do":10.46}}`,
			[]any{"water", "do"},
			same, 0.01, nil,
		},
		{
			"json array, rfc3339", reading.Flow, 38.04,
			site.Probe{Format: site.JSON, Unit: measure.LPM, ValuePath: "values.1", TimePath: "sent", TimeFormat: site.RFC3339},
			`{"sent":"2026-11-20T18:00:01.25Z","values":[null,38.0]}`,
			[]any{"values", 1},
			same, 0.1,
			func(p any) time.Time {
				w, err := time.Parse(time.RFC3339, field(p, "sent").(string))
				if err != nil {
					t.Error(err)
				}
				return w
			},
		},
		{
			"json unix", reading.Temperature, 8,
			site.Probe{Format: site.JSON, Unit: measure.DegC, ValuePath: "v", TimePath: "m.t", TimeFormat: site.UnixSeconds},
			`{"m":{"t":1795197601.25},"v":8.00}`,
			[]any{"v"},
			same, 0.01,
			func(p any) time.Time { return time.UnixMilli(int64(field(p, "m", "t").(float64) * 1000)) },
		},
		{
			"json unix-ms", reading.Temperature, 8,
			site.Probe{Format: site.JSON, Unit: measure.DegC, ValuePath: "v", TimePath: "t", TimeFormat: site.UnixMillis},
			`{"t":1795197601250,"v":8.00}`,
			[]any{"v"},
			same, 0.01,
			func(p any) time.Time { return time.UnixMilli(int64(field(p, "t").(float64))) },
		},
		{
			"senml temperature", reading.Temperature, 8.237,
			site.Probe{Format: site.SenML, Unit: measure.DegF, RecordName: "raceway-1:t"},
			`[{"n":"raceway-1:t","u":"Cel","t":1795197601.25,"v":8.24}]`,
			[]any{0, "v"},
			same, 0.01, nil,
		},
		{
			"senml flow", reading.Flow, 402.2,
			site.Probe{Format: site.SenML, Unit: measure.LPM, RecordName: "r1/q"},
			`[{"n":"r1/q","u":"m3/s","t":1795197601.25,"v":0.006703}]`,
			[]any{0, "v"},
			func(q float64) float64 { return q * 60000 }, 0.06, nil,
		},
		{
			"senml oxygen", reading.Oxygen, 10.456,
			site.Probe{Format: site.SenML, Unit: measure.MgL, RecordName: "r1/o"},
			`[{"n":"r1/o","u":"kg/m3","t":1795197601.25,"v":0.01046}]`,
			[]any{0, "v"},
			func(o float64) float64 { return o * 1000 }, 0.01, nil,
		},
		{
			"senml saturation, no record name", reading.Saturation, 96.62,
			site.Probe{ID: "raceway 1 °", Format: site.SenML, Unit: measure.PercentSat},
			`[{"n":"probe-raceway-1--","u":"/","t":1795197601.25,"v":0.966}]`,
			[]any{0, "v"},
			func(r float64) float64 { return 100 * r }, 0.1,
			func(p any) time.Time { return time.UnixMilli(int64(field(p, 0, "t").(float64) * 1000)) },
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			tc.probe.Quantity = tc.quantity
			got, err := sim.Encode(at, sim.Sample{Probe: tc.probe, Value: tc.value})
			if err != nil {
				t.Fatal(err)
			}
			if string(got) != tc.want {
				t.Errorf("payload:\n got %s\nwant %s", got, tc.want)
			}
			var payload any
			if err := json.Unmarshal(got, &payload); err != nil {
				t.Fatal(err)
			}
			back := tc.base(field(payload, tc.path...).(float64))
			if math.Abs(back-tc.value) > tc.digit/2*1.0001 {
				t.Errorf("%v came back as %v", tc.value, back)
			}
			if tc.when != nil && !tc.when(payload).Equal(at) {
				t.Errorf("time %v came back as %v", at, tc.when(payload))
			}
		})
	}
}

func TestEncodeSeveral(t *testing.T) {
	at := time.Unix(1795197601, 0)
	sample := func(id reading.ProbeID, f site.Format, valuePath string) sim.Sample {
		return sim.Sample{Value: 8, Probe: site.Probe{
			ID: id, Quantity: reading.Temperature, Unit: measure.DegC,
			Format: f, ValuePath: valuePath, TimePath: "t", TimeFormat: site.UnixSeconds,
		}}
	}
	for _, tc := range []struct {
		name    string
		samples []sim.Sample
		want    string
		err     string
	}{
		{"json", []sim.Sample{sample("a", site.JSON, "x.a"), sample("b", site.JSON, "x.b")}, `{"t":1795197601,"x":{"a":8.00,"b":8.00}}`, ""},
		{
			"senml",
			[]sim.Sample{sample("a", site.SenML, ""), sample("b", site.SenML, "")},
			`[{"n":"probe-a","u":"Cel","t":1795197601,"v":8.00},{"n":"probe-b","u":"Cel","t":1795197601,"v":8.00}]`, "",
		},
		{"none", nil, "", `sim: encode: no sample`},
		{
			"formats",
			[]sim.Sample{sample("a", site.JSON, "x"), sample("b", site.SenML, "")},
			"",
			`sim: encode: probes "a" and "b" share a topic but write json and senml`,
		},
		{
			"one place",
			[]sim.Sample{sample("a", site.JSON, "x"), sample("b", site.JSON, "x")},
			"",
			`sim: encode: probe "b": its place in the payload is taken`,
		},
		{
			"path through a value",
			[]sim.Sample{sample("a", site.JSON, "x"), sample("b", site.JSON, "x.y")},
			"",
			`sim: encode: probe "b": "y" is an object in its path and something else in another`,
		},
		{
			"path through an object",
			[]sim.Sample{sample("a", site.JSON, "x.y"), sample("b", site.JSON, "x.0")},
			"",
			`sim: encode: probe "b": "0" is an array in its path and something else in another`,
		},
		{"format", []sim.Sample{sample("a", "morse", "")}, "", `sim: encode: probe "a" has the unknown format "morse"`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := sim.Encode(at, tc.samples...)
			text := ""
			if err != nil {
				text = err.Error()
			}
			if string(got) != tc.want || text != tc.err {
				t.Errorf("got %s, %s\nwant %s, %s", got, strconv.Quote(text), tc.want, strconv.Quote(tc.err))
			}
		})
	}
}
