package rules_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/rulestest"
)

// Edges of a condition, reading by reading: one a minute, the setpoint itself, the
// delays, what is silent.
func TestConditionEdges(t *testing.T) {
	const key = "condition/c/trough 1"
	at := func(rest string) string { return block("condition", "c", `units = ["trough 1"]`, rest) }
	tests := []struct {
		name, rules, script string
		want                []string
	}{
		{
			"on the setpoint is right; beyond it as long as it lasts, to the second",
			at(`when = flow < "28 L/min" && temperature > "12 degC"; lasting = "2 min"; off_delay = "2 min"`), `
			0s    trough 1 temperature = 12.1
			1s    trough 1 flow = 28
			1m    trough 1 flow = 27.9
			2m59s trough 1 flow = 27.9
			3m    trough 1 flow = 27.9
			4m    trough 1 flow = 28
			5m59s trough 1 flow = 28
			6m    trough 1 flow = 28`,
			[]string{"3m0s raised " + key, "6m0s returned, not acknowledged " + key},
		},
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
