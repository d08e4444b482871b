package rules_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/rulestest"
)

var (
	highFlow      = block("high_flow", "h", `units = ["trough 1"]`, `setpoint = "60 L/min"; deadband = "5 L/min"`+delays)
	highOxygenMgL = block("high_oxygen", "h", `units = ["raceway 1", "deep 1"]`, `setpoint = "12 mg/L"; deadband = "0.5 mg/L"`+delays)
	highOxygenSat = block("high_oxygen", "h", `units = ["raceway 1", "deep 1"]`, `setpoint = "110% saturation"; deadband = "3% saturation"`+delays)
)

func TestHighEdges(t *testing.T) {
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{"exactly on the setpoint is right", highFlow, `
			0s  trough 1 flow = 60
			10m trough 1 flow = 60
			20m tick`, nil},
		{"above it, a reading before the on-delay", highFlow, `
			0s  trough 1 flow = 60.01
			59s trough 1 flow = 70`, nil},
		{"above it, at the on-delay", highFlow, `
			0s  trough 1 flow = 60.01
			60s trough 1 flow = 70`, []string{"1m0s raised high_flow/h/trough 1 flow"}},
		{"one inside the deadband does not start the on-delay again", highFlow, `
			0s  trough 1 flow = 61
			30s trough 1 flow = 60
			60s trough 1 flow = 61`, []string{"1m0s raised high_flow/h/trough 1 flow"}},
		{"inside the deadband it stands", highFlow, `
			0s  trough 1 flow = 70
			60s trough 1 flow = 70
			2m  trough 1 flow = 55.01
			60m trough 1 flow = 55.01`, []string{"1m0s raised high_flow/h/trough 1 flow"}},
		{"exactly the deadband below is good, after the off-delay", highFlow, `
			0s   trough 1 flow = 70
			60s  trough 1 flow = 70
			2m   trough 1 flow = 55
			239s trough 1 flow = 55
			4m   trough 1 flow = 55`, []string{"1m0s raised high_flow/h/trough 1 flow", "4m0s returned, not acknowledged high_flow/h/trough 1 flow"}},
		{"back above within the off-delay: it stands", highFlow, `
			0s  trough 1 flow = 70
			60s trough 1 flow = 70
			2m  trough 1 flow = 40
			3m  trough 1 flow = 61
			4m  trough 1 flow = 40
			5m  trough 1 flow = 40`, []string{"1m0s raised high_flow/h/trough 1 flow"}},
		{"a gap in the middle: a tick raises an interval later", highFlow, `
			0s  trough 1 flow = 70
			1s..5m tick every 1s
			20m trough 1 flow = 70`, []string{"2m0s raised high_flow/h/trough 1 flow"}},
		{"late readings are noted and nobody is called", highFlow, `
			0s trough 1 flow = 70 (late, device-timed)
			1m trough 1 flow = 70 (late, device-timed)`, []string{"1m0s normal past/high_flow/h/trough 1 flow"}},
		{"oxygen in the probe's unit", highOxygenMgL, `
			0s  raceway 1 oxygen = 12.01
			60s raceway 1 oxygen = 12.01`, []string{"1m0s raised high_oxygen/h/raceway 1 oxygen"}},
		// 11.288 mg/L is 100 % at 10 degC and 1013.25 hPa (Benson and Krause).
		{"oxygen by saturation, at the unit's own temperature", highOxygenSat, `
			0s  raceway 1 temperature = 10
			0s  raceway 1 oxygen = 12.5
			60s raceway 1 oxygen = 12.5`, []string{"1m0s raised high_oxygen/h/raceway 1 oxygen"}},
		{"the same in colder water is no trouble", highOxygenSat, `
			0s  raceway 1 temperature = 8
			0s  raceway 1 oxygen = 12.5
			60s raceway 1 oxygen = 12.5`, nil},
		{"no temperature ever heard: cannot be judged", highOxygenSat, `
			0s  raceway 1 oxygen = 20
			60s raceway 1 oxygen = 20`, nil},
		{"saturation in mg/L, at the spring's temperature", highOxygenMgL, `
			0s  spring temperature = 10
			0s  deep 1 saturation = 107
			60s deep 1 saturation = 107`, []string{"1m0s raised high_oxygen/h/deep 1 saturation"}},
		{"exactly on the setpoint in saturation is right", highOxygenSat, `
			0s  deep 1 saturation = 110
			60s deep 1 saturation = 110`, nil},
		{"late saturation is noted", highOxygenSat, `
			0s deep 1 saturation = 120 (late, device-timed)
			1m deep 1 saturation = 120 (late, device-timed)
			1m raceway 1 oxygen = 20 (late, device-timed)
			3m raceway 1 oxygen = 20 (late, device-timed)`, []string{"1m0s normal past/high_oxygen/h/deep 1 saturation"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := briefs(play(t, engine(t, rulestest.Site(), tt.rules), tt.script))
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("transitions (-want +got):\n%s", d)
			}
		})
	}
}

func TestHighWords(t *testing.T) {
	tests := []struct{ name, rules, script, trouble, detail string }{
		{"flow", highFlow, "0s trough 1 flow = 70\n60s trough 1 flow = 70", "Trough 1: too much flow", "70.0 L/min, setpoint 60.0 L/min"},
		{"flow just over", highFlow, "0s trough 1 flow = 60.01\n60s trough 1 flow = 60.01", "Trough 1: too much flow", "just over 60.0 L/min, setpoint 60.0 L/min"},
		{
			"oxygen", highOxygenSat, "0s raceway 1 temperature = 10\n0s raceway 1 oxygen = 12.5\n60s raceway 1 oxygen = 12.5",
			"Raceway 1: too much oxygen", "12.5 mg/L (111% saturation), setpoint 110% saturation",
		},
		{"late oxygen", highOxygenSat, "0s deep 1 saturation = 120 (late, device-timed)\n1m deep 1 saturation = 120 (late, device-timed)", "Deep 1: too much oxygen, in the past", "120% saturation, setpoint 110% saturation, from 20 Nov 18:00; the readings came late"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			all := play(t, engine(t, rulestest.Site(), tt.rules), tt.script)
			if len(all) != 1 || all[0].Trouble != tt.trouble || all[0].Detail != tt.detail {
				t.Errorf("got %+v", all)
			}
		})
	}
}
