package ingest_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/ingest"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

func testSite() *site.Site {
	return &site.Site{Probes: []site.Probe{
		{ID: "plain", Quantity: reading.Temperature, Topic: "plain", Format: site.Number, Unit: measure.DegC, Low: -1, High: 30, Every: time.Minute},
		{ID: "slow", Quantity: reading.Temperature, Topic: "slow", Format: site.JSON, Unit: measure.DegC, Low: -1, High: 30, Every: 10 * time.Minute, ValuePath: "v", TimePath: "t", TimeFormat: site.UnixSeconds},
		{ID: "timed", Quantity: reading.Temperature, Topic: "shared", Format: site.JSON, Unit: measure.DegC, Low: -1, High: 30, Every: time.Minute, ValuePath: "v", TimePath: "t", TimeFormat: site.UnixSeconds},
		{ID: "flow", Quantity: reading.Flow, Topic: "shared", Format: site.JSON, Unit: measure.LPM, Low: 0, High: 100, Every: time.Minute, ValuePath: "f", TimePath: "t", TimeFormat: site.UnixSeconds},
		{ID: "pack", Quantity: reading.Temperature, Topic: "pack", Format: site.SenML, Unit: measure.DegC, Low: -1, High: 30, Every: time.Minute},
	}}
}

func newIntake(t testing.TB) *ingest.Intake {
	t.Helper()
	in, err := ingest.NewIntake(testSite(), ingest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return in
}

// msg is a QoS 1 message that arrives after noon.
func msg(topic, payload string, after time.Duration) ingest.Message {
	return ingest.Message{Topic: topic, Payload: []byte(payload), QoS: 1, MID: 7, ArrivedAt: noon.Add(after)}
}

func dup(m ingest.Message) ingest.Message      { m.Dup = true; return m }
func retained(m ingest.Message) ingest.Message { m.Retained = true; return m }
func mid(m ingest.Message, id uint16) ingest.Message {
	m.MID = id
	return m
}

// timed is the payload of topic slow, sampled at an offset from noon.
func timed(v float64, offset time.Duration) string {
	return fmt.Sprintf(`{"v":%g,"t":%d}`, v, noon.Add(offset).Unix())
}

// brief is an outcome as a line: result, value, time of the sample, flags.
func brief(out []ingest.Outcome) []string {
	var s []string
	for _, o := range out {
		keep := ""
		if o.Keep {
			keep = "keep "
		}
		if o.Err != nil {
			s = append(s, fmt.Sprintf("%s%s", keep, o.Result))
			continue
		}
		s = append(s, fmt.Sprintf("%s%s %s=%g at %s [%s]", keep, o.Result, o.Probe, o.Reading.Value, o.Reading.At.Sub(noon), o.Reading.Flags))
	}
	return s
}

func TestTake(t *testing.T) {
	const minute = time.Minute
	for _, tc := range []struct {
		name string
		msgs []ingest.Message
		want []string // of all messages in a row
	}{
		{"no time takes the arrival", []ingest.Message{msg("plain", "8.2", 0)}, []string{"keep stored plain=8.2 at 0s []"}},
		{"device time", []ingest.Message{msg("slow", timed(8, -4*time.Second), 0)}, []string{"keep stored slow=8 at -4s [device-timed]"}},
		{"two of one payload", []ingest.Message{msg("shared", `{"v":8,"f":30,"t":1795176000}`, 0)}, []string{
			"keep stored timed=8 at 0s [device-timed]", "keep stored flow=30 at 0s [device-timed]",
		}},
		{"one of two faulty", []ingest.Message{msg("shared", `{"v":8,"f":"x","t":1795176000}`, 0)}, []string{
			"keep stored timed=8 at 0s [device-timed]", "bad_payload",
		}},
		{"ahead within the tolerance", []ingest.Message{msg("slow", timed(8, 2*minute), 0)}, []string{"keep stored slow=8 at 2m0s [device-timed]"}},
		{"too far ahead", []ingest.Message{msg("slow", timed(8, 2*minute+time.Second), 0)}, []string{"keep future_time slow=8 at 0s [future-time]"}},
		{"unset clock", []ingest.Message{msg("slow", `{"v":8,"t":0}`, 0)}, []string{"keep stored slow=8 at 0s []"}},
		// Late after the larger of 5 min and 3 intervals: 30 min for slow, 5 min for timed.
		{"not yet late", []ingest.Message{msg("slow", timed(8, -30*minute), 0)}, []string{"keep stored slow=8 at -30m0s [device-timed]"}},
		{"late by its interval", []ingest.Message{msg("slow", timed(8, -30*minute-time.Second), 0)}, []string{"keep late slow=8 at -30m1s [device-timed,late]"}},
		{"late by five minutes", []ingest.Message{msg("shared", `{"v":8,"f":1,"t":1795175699}`, 0)}, []string{
			"keep late timed=8 at -5m1s [device-timed,late]", "keep late flow=1 at -5m1s [device-timed,late]",
		}},
		{"out of order", []ingest.Message{msg("slow", timed(8, -1*minute), 0), msg("slow", timed(9, -2*minute), 0)}, []string{
			"keep stored slow=8 at -1m0s [device-timed]", "keep out_of_order slow=9 at -2m0s [device-timed,out-of-order]",
		}},
		{"same time, other value", []ingest.Message{msg("slow", timed(8, -1*minute), 0), msg("slow", timed(9, -1*minute), 0)}, []string{
			"keep stored slow=8 at -1m0s [device-timed]", "keep stored slow=9 at -1m0s [device-timed]",
		}},
		{"range is inclusive", []ingest.Message{msg("plain", "30", 0), msg("plain", "30.01", minute), msg("plain", "-1.01", 2*minute)}, []string{
			"keep stored plain=30 at 0s []", "keep out_of_range plain=30.01 at 1m0s [out-of-range]", "keep out_of_range plain=-1.01 at 2m0s [out-of-range]",
		}},
		{"our clock set back does not leave the probe out of order", []ingest.Message{msg("plain", "8", 0), msg("plain", "8", -time.Hour), msg("plain", "8", -59*minute)}, []string{
			"keep stored plain=8 at 0s []", "keep stored plain=8 at -1h0m0s []", "keep stored plain=8 at -59m0s []",
		}},

		{"retained without a time", []ingest.Message{retained(msg("plain", "8", 0))}, []string{"retained_untimed plain=8 at 0s [retained]"}},
		{"retained with an unbelievable time", []ingest.Message{retained(msg("slow", `{"v":8,"t":0}`, 0)), retained(msg("slow", timed(8, time.Hour), 0))}, []string{
			"retained_untimed slow=8 at 0s [retained]", "retained_untimed slow=8 at 0s [retained,future-time]",
		}},
		{"retained with a relative time", []ingest.Message{retained(msg("pack", `[{"n":"a","u":"Cel","v":8,"t":-5}]`, 0))}, []string{"retained_untimed pack=8 at -5s [device-timed,retained]"}},
		{"retained with a time", []ingest.Message{retained(msg("slow", timed(8, -time.Hour), 0))}, []string{"keep late slow=8 at -1h0m0s [device-timed,retained,late]"}},
		{"retained copy of the newest", []ingest.Message{msg("slow", timed(8, 0), 0), retained(mid(msg("slow", timed(8, 0), minute), 8))}, []string{
			"keep stored slow=8 at 0s [device-timed]", "duplicate slow=8 at 0s [device-timed,retained]",
		}},

		{"redelivered", []ingest.Message{msg("plain", "8", 0), dup(msg("plain", "8", minute))}, []string{
			"keep stored plain=8 at 0s []", "redelivered plain=8 at 1m0s [redelivered]",
		}},
		{"redelivered twice", []ingest.Message{msg("plain", "8", 0), dup(msg("plain", "8", minute)), dup(msg("plain", "8", 2*minute))}, []string{
			"keep stored plain=8 at 0s []", "redelivered plain=8 at 1m0s [redelivered]", "redelivered plain=8 at 2m0s [redelivered]",
		}},
		{"redelivered, several readings", []ingest.Message{
			msg("shared", `{"v":8,"f":30,"t":1795176000}`, 0), dup(msg("shared", `{"v":8,"f":30,"t":1795176000}`, minute)),
		}, []string{
			"keep stored timed=8 at 0s [device-timed]", "keep stored flow=30 at 0s [device-timed]",
			"redelivered timed=8 at 0s [device-timed,redelivered]", "redelivered flow=30 at 0s [device-timed,redelivered]",
		}},
		{"redelivered, relative time", []ingest.Message{msg("pack", `[{"n":"a","u":"Cel","v":8,"t":-5}]`, 0), dup(msg("pack", `[{"n":"a","u":"Cel","v":8,"t":-5}]`, minute))}, []string{
			"keep stored pack=8 at -5s [device-timed]", "redelivered pack=8 at 55s [device-timed,redelivered]",
		}},
		{"marked but never seen", []ingest.Message{dup(msg("plain", "8", 0))}, []string{"keep stored plain=8 at 0s [redelivered]"}},
		{"marked, other value", []ingest.Message{msg("plain", "8", 0), dup(msg("plain", "9", minute))}, []string{
			"keep stored plain=8 at 0s []", "keep stored plain=9 at 1m0s [redelivered]",
		}},
		{"marked, other identifier", []ingest.Message{msg("plain", "8", 0), dup(mid(msg("plain", "8", minute), 8))}, []string{
			"keep stored plain=8 at 0s []", "keep stored plain=8 at 1m0s [redelivered]",
		}},
		{"marked, identifier used since", []ingest.Message{msg("plain", "8", 0), msg("slow", timed(8, 0), 0), dup(msg("plain", "8", minute))}, []string{
			"keep stored plain=8 at 0s []", "keep stored slow=8 at 0s [device-timed]", "keep stored plain=8 at 1m0s [redelivered]",
		}},
		{"same again, not marked", []ingest.Message{msg("plain", "8", 0), msg("plain", "8", minute)}, []string{
			"keep stored plain=8 at 0s []", "keep stored plain=8 at 1m0s []",
		}},

		{"bad payload", []ingest.Message{msg("plain", "8,2", 0)}, []string{"bad_payload"}},
		{"not a number", []ingest.Message{msg("plain", "NaN", 0)}, []string{"bad_payload"}},
		{"unknown topic", []ingest.Message{msg("other", "8", 0)}, []string{"unknown_topic"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in := newIntake(t)
			var got []string
			for _, m := range tc.msgs {
				got = append(got, brief(in.Take(m))...)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestTakeReading(t *testing.T) {
	m := msg("slow", `{"v":8,"t":1795175999.1234567}`, 1500*time.Nanosecond)
	m.ArrivedAt = m.ArrivedAt.In(time.FixedZone("x", 3600))
	at := noon.Add(-time.Second + 123456*time.Microsecond)
	want := reading.Reading{
		Probe: "slow", At: at, DeviceAt: at, ArrivedAt: noon.Add(time.Microsecond),
		Value: 8, Flags: reading.DeviceTimed, MID: 7,
	}
	if diff := cmp.Diff(want, newIntake(t).Take(m)[0].Reading); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestTakeErrorText(t *testing.T) {
	for _, tc := range []struct{ topic, payload, want string }{
		{"plain", "8,2\x00", `ingest: topic "plain": payload: probe "plain": byte 2 is a comma; write the decimals after a point, as in 12.3 (payload "8,2\x00")`},
		{"\nodd", "8", `ingest: no probe has the topic "\nodd"; add one to the site file or stop sending it`},
		{"slow", `{"v":` + strings.Repeat("8", 200), `(payload "{\"v\":` + strings.Repeat("8", 75) + `"...)`},
	} {
		got := newIntake(t).Take(msg(tc.topic, tc.payload, 0))
		if len(got) != 1 || !strings.Contains(got[0].Err.Error(), tc.want) {
			t.Errorf("got %v\nwant a part %s", got, tc.want)
		}
	}
}

func TestSeen(t *testing.T) {
	first := reading.Reading{Probe: "plain", At: noon, ArrivedAt: noon, Value: 8, MID: 7}
	second := reading.Reading{Probe: "plain", At: noon.Add(time.Minute), ArrivedAt: noon.Add(time.Minute), Value: 9, MID: 7}
	slow := reading.Reading{Probe: "slow", At: noon, DeviceAt: noon, ArrivedAt: noon, Value: 4, MID: 9, Flags: reading.DeviceTimed}
	for name, order := range map[string][]reading.Reading{
		"newest first": {second, slow, first},
		"oldest first": {first, slow, second},
	} {
		t.Run(name, func(t *testing.T) {
			in := newIntake(t)
			for _, r := range order {
				in.Seen(r)
			}
			var got []string
			for _, m := range []ingest.Message{
				dup(msg("plain", "9", 2*time.Minute)),
				dup(msg("plain", "8", 2*time.Minute)), // identifier 7 was used again for 9
				dup(mid(msg("slow", timed(4, 0), 2*time.Minute), 9)),
				mid(msg("slow", timed(4, 0), 2*time.Minute), 10),
				msg("slow", timed(4, -time.Second), 2*time.Minute),
			} {
				got = append(got, brief(in.Take(m))...)
			}
			want := []string{
				"redelivered plain=9 at 2m0s [redelivered]",
				"keep stored plain=8 at 2m0s [redelivered]",
				"redelivered slow=4 at 0s [device-timed,redelivered]",
				"duplicate slow=4 at 0s [device-timed]",
				"keep out_of_order slow=4 at -1s [device-timed,out-of-order]",
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestRecognitionWindow holds that the memory of packet identifiers reaches
// InFlightWindow messages back and not more than twice that.
func TestRecognitionWindow(t *testing.T) {
	for _, tc := range []struct {
		between int
		want    ingest.Result
	}{{ingest.InFlightWindow - 1, ingest.Redelivered}, {2 * ingest.InFlightWindow, ingest.Stored}} {
		in := newIntake(t)
		in.Take(mid(msg("plain", "8", 0), 60000))
		for i := range tc.between {
			in.Take(mid(msg("plain", "9", 0), uint16(i+1)))
		}
		if got := in.Take(dup(mid(msg("plain", "8", 0), 60000)))[0].Result; got != tc.want {
			t.Errorf("after %d messages: got %s, want %s", tc.between, got, tc.want)
		}
	}
}

func TestNewIntake(t *testing.T) {
	if diff := cmp.Diff([]string{"pack", "plain", "shared", "slow"}, newIntake(t).Topics()); diff != "" {
		t.Errorf("topics (-want +got):\n%s", diff)
	}
	s := testSite()
	s.Probes[3].ValuePath = "v"
	if _, err := ingest.NewIntake(s, ingest.Options{}); err == nil || !strings.Contains(err.Error(), `probes "timed" and "flow" would both read`) {
		t.Errorf("got error %v", err)
	}
}

func TestAcknowledge(t *testing.T) {
	n := 0
	ingest.Message{}.Acknowledge()
	ingest.Message{Ack: func() { n++ }}.Acknowledge()
	if n != 1 {
		t.Errorf("acknowledged %d times, want 1", n)
	}
}

// BenchmarkIntake measures one message from bytes to outcome, by format.
func BenchmarkIntake(b *testing.B) {
	for _, bm := range []struct{ name, topic, payload string }{
		{"number", "plain", "8.25"},
		{"json", "slow", `{"v":8.25,"t":1795176000.5}`},
		{"senml", "pack", `[{"bn":"stack-1/","bt":1795176000,"n":"temp","u":"Cel","v":8.25}]`},
	} {
		b.Run(bm.name, func(b *testing.B) {
			in := newIntake(b)
			m := msg(bm.topic, bm.payload, 0)
			b.ReportAllocs()
			for i := range b.N {
				m.MID = uint16(i)
				m.ArrivedAt = noon.Add(time.Duration(i) * time.Millisecond)
				in.Take(m)
			}
		})
	}
}
