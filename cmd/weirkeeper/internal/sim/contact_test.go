package sim_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/sim"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// A contact on the mains says closed, and open while the power is cut; every
// other probe is silent then.
func TestContactInAPowerCut(t *testing.T) {
	s := hatchery()
	s.Probes = append(s.Probes, site.Probe{ID: "mains", Quantity: reading.Contact, Topic: "test/mains", Format: site.Number, Every: time.Minute})
	m, err := sim.New(s, sim.Options{Seed: 1, Start: start, Troubles: []sim.Trouble{{Kind: sim.PowerCut, Start: 10 * time.Minute, Length: 5 * time.Minute}}})
	if err != nil {
		t.Fatal(err)
	}
	got := make(map[string]int)
	for _, d := range m.Due(start.Add(20 * time.Minute)) {
		since := d.At.Sub(start)
		cut := since >= 10*time.Minute && since < 15*time.Minute
		switch {
		case d.Probes[0] == "mains" && cut:
			got["cut "+string(d.Payload)]++
		case d.Probes[0] == "mains":
			got[string(d.Payload)]++
		case cut:
			t.Errorf("%s speaks during the cut", d.Probes[0])
		}
	}
	if diff := cmp.Diff(map[string]int{"1": 15, "cut 0": 5}, got); diff != "" {
		t.Errorf("the contact (-want +got):\n%s", diff)
	}
}
