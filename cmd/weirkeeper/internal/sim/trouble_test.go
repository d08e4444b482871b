package sim_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/sim"
)

func TestParseTrouble(t *testing.T) {
	for _, tc := range []struct {
		in   string
		want sim.Trouble
	}{
		{"screen-clog@7h30m/40m", sim.Trouble{Kind: sim.ScreenClog, Start: 450 * time.Minute, Length: 40 * time.Minute}},
		{"screen-clog@0s/40m/60%", sim.Trouble{Kind: sim.ScreenClog, Length: 40 * time.Minute, Severity: 0.6}},
		{"standpipe-up:trough 3@2h/45m/12.5%", sim.Trouble{Kind: sim.StandpipeUp, Where: "trough 3", Start: 2 * time.Hour, Length: 45 * time.Minute, Severity: 0.125}},
		{"probe-silent:a:b@c/d@90s/1h", sim.Trouble{Kind: sim.ProbeSilent, Where: "a:b@c/d", Start: 90 * time.Second, Length: time.Hour}},
		{"power-cut@10h/5m", sim.Trouble{Kind: sim.PowerCut, Start: 10 * time.Hour, Length: 5 * time.Minute}},
	} {
		t.Run(tc.in, func(t *testing.T) {
			got, err := sim.ParseTrouble(tc.in)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("trouble (-want +got):\n%s", diff)
			}
			again, err := sim.ParseTrouble(got.String())
			if err != nil || again != got {
				t.Errorf("%q read again: %+v, %v", got, again, err)
			}
		})
	}
}

func TestParseTroubleRefuses(t *testing.T) {
	for _, tc := range []struct{ in, want string }{
		{"", `it has no time; write KIND@START/LENGTH, such as "screen-clog@7h30m/40m"`},
		{"screen-clog", `it has no time; write KIND@START/LENGTH, such as "screen-clog@7h30m/40m"`},
		{"screen-clog@1h", `"@1h" is not START/LENGTH or START/LENGTH/SEVERITY%, such as "@7h30m/40m" or "@7h30m/40m/60%"`},
		{"screen-clog@1h/2h/3%/4", `"@1h/2h/3%/4" is not START/LENGTH or START/LENGTH/SEVERITY%, such as "@7h30m/40m" or "@7h30m/40m/60%"`},
		{"screen-clog@soon/40m", `"soon" is not a time; write it as "90s", "40m" or "7h30m"`},
		{"screen-clog@1h/40", `"40" is not a time; write it as "90s", "40m" or "7h30m"`},
		{"screen-clog@-1h/40m", `it starts 1h0m0s before the model does; write a start of 0s or later`},
		{"screen-clog@1h/0s", `length 0s; write one above zero, such as 40m`},
		{"screen-clog@1h/40m/60", `severity "60" is not a share above 0% up to 100%, such as "60%"`},
		{"screen-clog@1h/40m/120%", `severity "120%" is not a share above 0% up to 100%, such as "60%"`},
		{"screen-clog@1h/40m/0%", `severity "0%" is not a share above 0% up to 100%, such as "60%"`},
		{"screen-clog:intake@1h/40m", `screen-clog has no place; leave out ":intake"`},
		{"standpipe-up@1h/40m", `standpipe-up needs the name of a unit; write standpipe-up:NAME@START/LENGTH`},
		{"probe-frozen:x@1h/40m/50%", `probe-frozen has no severity; leave it out`},
		{"screen-clgo@1h/40m", `there is no kind "screen-clgo"; did you mean "screen-clog"?`},
		{"heron@1h/40m", `there is no kind "heron"; the kinds are screen-clog, spring-fail, standpipe-up, oxygen-low, probe-frozen, probe-drift, probe-silent, power-cut, pipe-leak, section-blocked, oxygen-fade, warm-water, cold-water, probe-jumping, probe-in-air, broker-gone`},
	} {
		t.Run(tc.in, func(t *testing.T) {
			_, err := sim.ParseTrouble(tc.in)
			want := `sim: trouble "` + tc.in + `": ` + tc.want
			if err == nil || err.Error() != want {
				t.Errorf("error:\n got %v\nwant %s", err, want)
			}
		})
	}
}

func TestTroubleHelpNamesEveryKind(t *testing.T) {
	help := sim.TroubleHelp()
	for _, k := range sim.Kinds() {
		if !strings.Contains(help, "\n  "+string(k)) {
			t.Errorf("%s is not in the help:\n%s", k, help)
		}
	}
}
