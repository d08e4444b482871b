package payload

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestResolveStandardExamples resolves the packs of RFC 8428, section 5.1, as
// remembered (no copy of the standard was at hand).
func TestResolveStandardExamples(t *testing.T) {
	now := time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)
	at := func(sec int64, ms int) time.Time { return time.Unix(sec, int64(ms)*1e6).UTC() }
	for _, tc := range []struct {
		name, pack string
		want       []record
	}{
		{
			name: "single datapoint",
			pack: `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`,
			want: []record{{index: 1, name: "urn:dev:ow:10e2073a01080063", unit: "Cel", value: 23.1}},
		},
		{
			name: "multiple datapoints",
			pack: `[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]`,
			want: []record{
				{index: 1, name: "urn:dev:ow:10e2073a01080063:voltage", unit: "V", value: 120.1},
				{index: 2, name: "urn:dev:ow:10e2073a01080063:current", unit: "A", value: 1.2},
			},
		},
		{
			name: "base time, base unit, version",
			pack: `[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
				{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","v":1.7}]`,
			want: []record{
				{index: 1, name: "urn:dev:ow:10e2073a0108006:voltage", unit: "V", value: 120.1, at: at(1276020076, 1)},
				{index: 2, name: "urn:dev:ow:10e2073a0108006:current", unit: "A", value: 1.2, at: at(1276020071, 1)},
				{index: 3, name: "urn:dev:ow:10e2073a0108006:current", unit: "A", value: 1.3, at: at(1276020072, 1)},
				{index: 4, name: "urn:dev:ow:10e2073a0108006:current", unit: "A", value: 1.7, at: at(1276020076, 1)},
			},
		},
		{
			name: "multiple measurements, name from the base alone",
			pack: `[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},{"u":"lon","v":24.30621},{"t":60,"v":20.3}]`,
			want: []record{
				{index: 1, name: "urn:dev:ow:10e2073a01080063", unit: "%RH", value: 20, at: at(1320067464, 0)},
				{index: 2, name: "urn:dev:ow:10e2073a01080063", unit: "lon", value: 24.30621, at: at(1320067464, 0)},
				{index: 3, name: "urn:dev:ow:10e2073a01080063", unit: "%RH", value: 20.3, at: at(1320067524, 0)},
			},
		},
		{
			// 2^28 seconds is the first absolute time: in July 1978.
			name: "edge between relative and absolute",
			pack: `[{"n":"a","v":1,"t":268435455},{"n":"a","v":1,"t":268435456}]`,
			want: []record{
				{index: 1, name: "a", value: 1, at: now.Add(268435455 * time.Second), relative: true},
				{index: 2, name: "a", value: 1, at: at(268435456, 0)},
			},
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, faults, err := resolve([]byte(tc.pack), now)
			if err != nil || len(faults) != 0 {
				t.Fatalf("faults %v, error %v", faults, err)
			}
			if diff := cmp.Diff(tc.want, got, cmp.AllowUnexported(record{})); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
