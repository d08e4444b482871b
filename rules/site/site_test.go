package site_test

import (
	"testing"

	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

func TestFind(t *testing.T) {
	s := rulestest.Site()
	if u, ok := s.Unit("trough 1"); !ok || u.Kind != site.Trough {
		t.Errorf("unit %+v, %v", u, ok)
	}
	if p, ok := s.Probe("deep 1 saturation"); !ok || p.At != "deep 1" {
		t.Errorf("probe %+v, %v", p, ok)
	}
	if p, ok := s.ProbeAt("stack 2", reading.Flow); !ok || p.ID != "stack 2 flow" {
		t.Errorf("probe %+v, %v", p, ok)
	}
	if c, ok := s.Chore("cleaning"); !ok || len(c.Units) != 2 {
		t.Errorf("chore %+v, %v", c, ok)
	}
	_, unit := s.Unit("pond")
	_, probe := s.Probe("pond")
	_, probeAt := s.ProbeAt("trough 2", reading.Temperature)
	_, chore := s.Chore("sweeping")
	if unit || probe || probeAt || chore {
		t.Errorf("found what is not there: %v %v %v %v", unit, probe, probeAt, chore)
	}
	for q, want := range map[reading.Quantity]measure.Unit{
		reading.Temperature: measure.DegC, reading.Flow: measure.LPM, reading.Oxygen: measure.MgL, reading.Saturation: measure.PercentSat, 0: {},
	} {
		if got := s.ShowUnit(q); got != want {
			t.Errorf("%v is shown in %q, want %q", q, got, want)
		}
	}
}

// The spring's own probe stands for the spring, else the head box's.
func TestSpringProbe(t *testing.T) {
	s := rulestest.Site()
	if p, ok := s.SpringProbe(reading.Temperature); !ok || p.ID != "spring temperature" {
		t.Errorf("got %+v, %v", p, ok)
	}
	s.Probes[0].At = "head box"
	if p, ok := s.SpringProbe(reading.Temperature); !ok || p.At != "head box" {
		t.Errorf("got %+v, %v", p, ok)
	}
	s.Probes[0].At = "trough 1"
	if p, ok := s.SpringProbe(reading.Temperature); ok {
		t.Errorf("got %+v", p)
	}
}
