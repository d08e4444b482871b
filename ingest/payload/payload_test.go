package payload_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"weirkeeper/ingest/payload"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

var arrived = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

func numberProbe(u measure.Unit, q reading.Quantity) []site.Probe {
	return []site.Probe{{ID: "a", Quantity: q, Topic: "t", Format: site.Number, Unit: u}}
}

// run is one payload and what must come of it.
type run struct {
	name    string
	payload string
	want    []payload.Sample
	errs    []string // a part of each error, in order
}

func check(t *testing.T, probes []site.Probe, runs []run) {
	t.Helper()
	d, err := payload.NewDecoder(probes)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range runs {
		t.Run(r.name, func(t *testing.T) {
			got, errs := d.Decode([]byte(r.payload), arrived)
			if diff := cmp.Diff(r.want, got, cmpopts.EquateApprox(0, 1e-9)); diff != "" {
				t.Errorf("samples (-want +got):\n%s", diff)
			}
			if len(errs) != len(r.errs) {
				t.Fatalf("errors: got %v, want %d like %q", errs, len(r.errs), r.errs)
			}
			for i, e := range errs {
				if !strings.Contains(e.Error(), r.errs[i]) {
					t.Errorf("error %d: got %q, want a part %q", i, e, r.errs[i])
				}
				if pe := (*payload.Error)(nil); !errors.As(e, &pe) {
					t.Errorf("error %d is a %T, want *payload.Error", i, e)
				}
			}
		})
	}
}

func a(v float64) []payload.Sample { return []payload.Sample{{Probe: "a", Value: v}} }

func TestNumber(t *testing.T) {
	check(t, numberProbe(measure.DegC, reading.Temperature), []run{
		{name: "plain", payload: "12.3", want: a(12.3)},
		{name: "white space", payload: " \t12.3\r\n", want: a(12.3)},
		{name: "exponent and sign", payload: "-1.5e-1", want: a(-0.15)},
		{name: "integer", payload: "+7", want: a(7)},
		{name: "empty", payload: " ", errs: []string{"empty"}},
		{name: "decimal comma", payload: " 12,3", errs: []string{"byte 4 is a comma; write the decimals after a point"}},
		{name: "with a unit", payload: "12.3 C", errs: []string{"byte 5"}},
		{name: "not a number", payload: "NaN", errs: []string{"byte 1"}},
		{name: "infinite", payload: "inf", errs: []string{"byte 1"}},
		{name: "hexadecimal", payload: "0x1p-2", errs: []string{"byte 2"}},
		{name: "underscore", payload: "1_000", errs: []string{"byte 2"}},
		{name: "two points", payload: "1.2.3", errs: []string{"is not a number"}},
		{name: "too large", payload: "1e999", errs: []string{"too large"}},
		{name: "too long", payload: strings.Repeat("1", payload.MaxBytes+1), errs: []string{"65537 bytes long; send at most 65536"}},
		{name: "binary", payload: "\x00\xff", errs: []string{"byte 1"}},
	})
	// 50 degF is 10 degC, 10 gal/min is 37.85411784 L/min (definitions).
	check(t, numberProbe(measure.DegF, reading.Temperature), []run{{name: "degF", payload: "50", want: a(10)}})
	check(t, numberProbe(measure.GPM, reading.Flow), []run{
		{name: "gpm", payload: "10", want: a(37.85411784)},
		{name: "too large once converted", payload: "1e308", errs: []string{"too large to be a measurement"}},
	})
}

func TestJSON(t *testing.T) {
	probes := []site.Probe{
		{ID: "a", Quantity: reading.Temperature, Topic: "t", Format: site.JSON, Unit: measure.DegC, ValuePath: "water.temp", TimePath: "ts", TimeFormat: site.UnixSeconds},
		{ID: "b", Quantity: reading.Flow, Topic: "t", Format: site.JSON, Unit: measure.LPS, ValuePath: "values.1"},
	}
	at := time.Date(2026, 11, 20, 17, 59, 58, 123456789, time.UTC)
	both := []payload.Sample{{Probe: "a", Value: 8.25, DeviceAt: at}, {Probe: "b", Value: 30}}
	check(t, probes, []run{
		{name: "both, time exact to the nanosecond", payload: `{"ts":1795197598.123456789,"water":{"temp":8.25},"values":[1,0.5]}`, want: both},
		{name: "numeric texts", payload: `{"ts":"1795197598.123456789","water":{"temp":" 8.25 "},"values":["1","5e-1"]}`, want: both},
		{
			name: "time with an exponent", payload: `{"ts":1.795197598123456789e9,"water":{"temp":8.25},"values":[1,0.5]}`, want: both,
		},
		{
			name: "one path missing leaves the other", payload: `{"ts":1795197598.123456789,"water":{"temperature":8.25},"values":[1,0.5]}`,
			want: both[1:], errs: []string{`probe "a": path "water.temp": "water" has no "temp", only "temperature"`},
		},
		{
			name: "index outside", payload: `{"ts":1795197598.123456789,"water":{"temp":8.25},"values":[1]}`,
			want: both[:1], errs: []string{`"values" is an array of 1, and "1" is not an index`},
		},
		{
			name: "null and object", payload: `{"ts":1,"water":{"temp":null},"values":[0,{}]}`,
			errs: []string{`"water.temp" is null; a number is needed`, `"values.1" is an object`},
		},
		{
			name: "decimal comma in a text", payload: `{"ts":1795197598.123456789,"water":{"temp":"8,25"},"values":[1,0.5]}`,
			want: both[1:], errs: []string{`"water.temp" is the text "8,25": byte 2 is a comma`},
		},
		{
			name: "value kept when the time is missing", payload: `{"water":{"temp":8.25},"values":[1,0.5]}`,
			want: []payload.Sample{{Probe: "a", Value: 8.25}, {Probe: "b", Value: 30}}, errs: []string{`the payload has no "ts"`},
		},
		{
			name: "milliseconds in a field of seconds", payload: `{"ts":1795197598123,"water":{"temp":8.25},"values":[1,0.5]}`,
			want: []payload.Sample{{Probe: "a", Value: 8.25}, {Probe: "b", Value: 30}}, errs: []string{`time_format = "unix-ms"`},
		},
		{
			name: "path through a number", payload: `{"ts":0,"water":3,"values":[1,0.5]}`,
			want: both[1:], errs: []string{`"water" is the number "3", so it has no "temp"`},
		},
		{name: "syntax", payload: `{"water":{"temp":8.25,}}`, errs: []string{"byte 23: invalid character '}'"}},
		{name: "cut off", payload: `{"water":`, errs: []string{"ends too early"}},
		{name: "trailing", payload: `{} 7`, errs: []string{`byte 4: "7" after the end`}},
		{name: "empty", payload: "", errs: []string{"it is empty; send JSON"}},
		{name: "deep", payload: strings.Repeat("[", payload.MaxDepth+1), errs: []string{"byte 33: JSON nested more than 32 deep"}},
	})

	for _, tc := range []struct {
		format site.TimeFormat
		text   string
		want   time.Time
		err    string
	}{
		{site.UnixMillis, `1795197598123`, time.Date(2026, 11, 20, 17, 59, 58, 123e6, time.UTC), ""},
		{site.UnixMillis, `1795197598123.25`, time.Date(2026, 11, 20, 17, 59, 58, 123.25e6, time.UTC), ""},
		{site.RFC3339, `"2026-11-20T18:59:58.5+01:00"`, time.Date(2026, 11, 20, 17, 59, 58, 5e8, time.UTC), ""},
		{site.RFC3339, `"2026-11-20 18:59:58"`, time.Time{}, "write it as 2026-11-20T18:00:00Z"},
		{site.RFC3339, `"9999-11-20T18:59:58Z"`, time.Time{}, "check the probe's clock"},
		{site.UnixSeconds, `0`, time.Unix(0, 0).UTC(), ""}, // an unset clock; not believed further on
		{site.UnixSeconds, `-1`, time.Time{}, "not a time"},
		{site.UnixSeconds, `1e20`, time.Time{}, "not a time"},
		{site.UnixSeconds, `1e999999999`, time.Time{}, "not a time"},
		{site.UnixSeconds, `"noon"`, time.Time{}, "not a time"},
		{site.UnixSeconds, `true`, time.Time{}, "a time (unix) is needed"},
	} {
		var errs []string
		if tc.err != "" {
			errs = []string{tc.err}
		}
		check(t, []site.Probe{{
			ID: "a", Quantity: reading.Temperature, Format: site.JSON, Unit: measure.DegC,
			ValuePath: "0", TimePath: "1", TimeFormat: tc.format,
		}}, []run{{
			name: string(tc.format) + " " + tc.text, payload: `[4,` + tc.text + `]`,
			want: []payload.Sample{{Probe: "a", Value: 4, DeviceAt: tc.want}}, errs: errs,
		}})
	}
	check(t, []site.Probe{{ID: "a", Quantity: reading.Temperature, Format: site.JSON, Unit: measure.DegC}},
		[]run{{name: "empty path is the payload itself", payload: "4.5", want: a(4.5)}})
}

func TestSenML(t *testing.T) {
	probes := []site.Probe{
		{ID: "temp", Quantity: reading.Temperature, Format: site.SenML, Unit: measure.DegC},
		{ID: "flow", Quantity: reading.Flow, Format: site.SenML, Unit: measure.LPM, RecordName: "stack-1/flow"},
	}
	at := time.Date(2026, 11, 20, 17, 59, 58, 0, time.UTC)
	temp := func(v float64) payload.Sample { return payload.Sample{Probe: "temp", Value: v, DeviceAt: at} }
	flow := func(v float64) payload.Sample { return payload.Sample{Probe: "flow", Value: v, DeviceAt: at} }
	check(t, probes, []run{
		{
			name:    "by unit and by name, own units",
			payload: `[{"bn":"stack-1/","bt":1795197598,"n":"temp","u":"Cel","v":8.2},{"n":"flow","u":"m3/s","v":0.0002}]`,
			want:    []payload.Sample{temp(8.2), flow(12)},
		},
		{
			name:    "kelvin, litres a second, base value",
			payload: `[{"bn":"stack-1/","bt":1795197598,"bu":"K","bv":273.15,"n":"temp","v":8.2},{"bv":0,"n":"flow","u":"l/s","v":0.2}]`,
			want:    []payload.Sample{temp(8.2), flow(12)},
		},
		{
			name:    "no unit takes the probe's",
			payload: `[{"bt":1795197598,"n":"stack-1/flow","v":12},{"n":"temp","u":"Cel","v":8.2}]`,
			want:    []payload.Sample{temp(8.2), flow(12)},
		},
		{
			name:    "history of one name, relative times",
			payload: `[{"bn":"stack-1/","bu":"Cel","n":"temp","t":-120,"v":8},{"n":"temp","t":-60.5,"v":8.1},{"n":"temp","v":8.2},{"n":"flow","u":"l/min","t":-1,"v":12}]`,
			want: []payload.Sample{
				{Probe: "temp", Value: 8, DeviceAt: arrived.Add(-2 * time.Minute), Relative: true},
				{Probe: "temp", Value: 8.1, DeviceAt: arrived.Add(-60500 * time.Millisecond), Relative: true},
				{Probe: "temp", Value: 8.2},
				{Probe: "flow", Value: 12, DeviceAt: arrived.Add(-time.Second), Relative: true},
			},
		},
		{
			name:    "base fields in a record of their own, value 0 with bv",
			payload: `[{"bn":"stack-1/","bt":1795197598,"bv":4},{"n":"temp","u":"Cel"},{"n":"flow","u":"l/min","v":8}]`,
			want:    []payload.Sample{temp(4), flow(12)},
		},
		{
			name:    "unit of another dimension",
			payload: `[{"bn":"stack-1/","bt":1795197598,"n":"temp","u":"Cel","v":8.2},{"n":"flow","u":"kg/m3","v":1}]`,
			want:    []payload.Sample{temp(8.2)}, errs: []string{`probe "flow": record 2: unit "kg/m3" does not measure flow; send m3/s`},
		},
		{
			name:    "two could be it, and the name is wrong",
			payload: `[{"n":"in","u":"Cel","v":8.2},{"n":"out","u":"Cel","v":8.2}]`,
			errs:    []string{`records "in", "out" all could be its temperature`, `no record named "stack-1/flow", only "in", "out"`},
		},
		{
			name:    "none fits",
			payload: `[{"n":"stack-1/flow","u":"l/min","v":12}]`,
			want:    []payload.Sample{{Probe: "flow", Value: 12}}, errs: []string{"no record is in a unit of temperature (Cel or K)"},
		},
		{
			name:    "faulty records do not spoil the others",
			payload: `[{"bt":1795197598,"n":"stack-1/flow","vs":"on"},{"n":"-x","v":1},{"n":"y","v":1,"vb":true},{"n":"temp","u":"Cel","v":8.2}]`,
			want:    []payload.Sample{temp(8.2)},
			errs:    []string{`probe "flow": record 1: it has no number (v)`, `record 2: name "-x"`, `record 3: it has more than one`},
		},
		{
			name:    "unknown labels are ignored",
			payload: `[{"bt":1795197598,"n":"temp","u":"Cel","v":8.2,"battery":3},{"n":"stack-1/flow","u":"l/min","v":12}]`,
			want:    []payload.Sample{temp(8.2), flow(12)},
		},
		{
			name:    "time out of this century",
			payload: `[{"n":"temp","u":"Cel","v":8.2,"t":4200000000},{"n":"stack-1/flow","u":"l/min","v":12}]`,
			want:    []payload.Sample{{Probe: "temp", Value: 8.2}, {Probe: "flow", Value: 12}},
			errs:    []string{"its time is outside 1970 to 2100"},
		},
		{name: "label that must be understood", payload: `[{"n":"temp","u":"Cel","v":8.2},{"n":"x","v":1,"must_":1}]`, errs: []string{`record 2: label "must_" must be understood`}},
		{name: "mixed versions", payload: `[{"bver":10,"n":"temp","v":8.2},{"bver":9,"n":"x","v":1}]`, errs: []string{"version 9 after 10"}},
		{name: "version from the future", payload: `[{"bver":11,"n":"temp","v":8.2}]`, errs: []string{"the version read here is 10"}},
		{name: "wrong base field", payload: `[{"bn":7,"n":"temp","v":8.2}]`, errs: []string{`record 1: label "bn" is the number "7"; it must be a text`}},
		{name: "not a pack", payload: `{"n":"temp","v":8.2}`, errs: []string{"a SenML pack is an array"}},
		{name: "not a record", payload: `[1]`, errs: []string{"record 1 is the number \"1\""}},
		{name: "empty pack", payload: `[]`, errs: []string{"holds 0 records"}},
		{name: "too many records", payload: "[" + strings.Repeat("{},", payload.MaxRecords) + "{}]", errs: []string{"holds 1001 records"}},
	})
	for _, tc := range []struct {
		q     reading.Quantity
		u     measure.Unit
		label string
		value string
		want  float64
	}{
		{reading.Saturation, measure.PercentSat, "/", "0.95", 95},
		{reading.Saturation, measure.PercentSat, "%", "95", 95},
		{reading.Saturation, measure.PercentSat, "/100", "95", 95},
		{reading.Oxygen, measure.MgL, "kg/m3", "0.01", 10},
		{reading.Oxygen, measure.MgL, "mg/L", "10", 10},
		{reading.Flow, measure.LPM, "m3/h", "0.6", 10},
		{reading.Temperature, measure.DegF, "Cel", "10", 10},
	} {
		check(t, []site.Probe{{ID: "a", Quantity: tc.q, Format: site.SenML, Unit: tc.u}},
			[]run{{name: tc.q.String() + " " + tc.label, payload: `[{"n":"x","u":"` + tc.label + `","v":` + tc.value + `}]`, want: a(tc.want)}})
	}
}

func TestNewDecoderRefuses(t *testing.T) {
	p := func(change func(*site.Probe)) site.Probe {
		p := site.Probe{ID: "a", Quantity: reading.Temperature, Topic: "t", Format: site.JSON, Unit: measure.DegC, ValuePath: "x"}
		if change != nil {
			change(&p)
		}
		return p
	}
	format := func(f site.Format) func(*site.Probe) { return func(p *site.Probe) { p.Format = f } }
	for _, tc := range []struct {
		name   string
		probes []site.Probe
		want   string
	}{
		{"no probes", nil, "at least one probe"},
		{"same path", []site.Probe{p(nil), p(nil)}, `would both read the value at path "x" of topic "t"`},
		{"two numbers", []site.Probe{p(format(site.Number)), p(format(site.Number))}, "would both read the number"},
		{"same only record", []site.Probe{p(format(site.SenML)), p(format(site.SenML))}, "would both read the only record of temperature"},
		{"mixed formats", []site.Probe{p(nil), p(format(site.Number))}, "but not the format"},
		{"unknown format", []site.Probe{p(format("cbor"))}, `no format "cbor"`},
		{"time format missing", []site.Probe{p(func(p *site.Probe) { p.TimePath = "t" })}, `no time format ""`},
		{"no unit", []site.Probe{p(func(p *site.Probe) { p.Unit = measure.Unit{} })}, "does not measure temperature; use one of degC"},
		{"wrong unit", []site.Probe{p(func(p *site.Probe) { p.Unit = measure.LPM })}, `unit "L/min" does not measure temperature`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if _, err := payload.NewDecoder(tc.probes); err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got error %v, want a part %q", err, tc.want)
			}
		})
	}
}

func TestExcerpt(t *testing.T) {
	if got, want := payload.Excerpt([]byte("a\n\x00\xc3\xa9\xff")), `"a\n\x00\u00e9\xff"`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := payload.Excerpt([]byte(strings.Repeat("x", 81))); got != `"`+strings.Repeat("x", 80)+`"...` {
		t.Errorf("got %s", got)
	}
}
