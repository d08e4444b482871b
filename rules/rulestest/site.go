// Package rulestest is a small hatchery for tests of the rules tree: enough of
// every kind of unit, probe and chore, and fixed, so that golden files hold. It
// is imported by tests only.
package rulestest

import (
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Start is when the tests' nights begin.
var Start = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

// Site is a new copy of the hatchery, metric and on UTC.
//
//	spring     temperature, flow, oxygen (mg/L)
//	stack 1    temperature, flow; lot "2026-A"
//	stack 2    temperature, flow
//	trough 1   temperature, flow
//	trough 2   flow
//	raceway 1  temperature, oxygen (mg/L)
//	deep 1     saturation (%), no temperature of its own
//	head box   nothing
func Site() *site.Site {
	s := &site.Site{
		Name: "Alder Fork", PressureHPa: 1013.25, Location: time.UTC,
		Show:     site.Show{Temperature: measure.DegC, Flow: measure.LPM, Oxygen: measure.MgL},
		Sections: []site.Section{{Name: "hatch house"}, {Name: "raceways"}},
		Units: []site.Unit{
			{Name: "spring", Kind: site.Spring},
			{Name: "head box", Kind: site.HeadBox},
			{Name: "stack 1", Kind: site.Stack, Section: "hatch house", Trays: 8, VolumeL: 60, DesignFlowLPM: 16},
			{Name: "stack 2", Kind: site.Stack, Section: "hatch house", Trays: 8, VolumeL: 60, DesignFlowLPM: 16},
			{Name: "trough 1", Kind: site.Trough, Section: "hatch house", VolumeL: 300, DesignFlowLPM: 40},
			{Name: "trough 2", Kind: site.Trough, Section: "hatch house", VolumeL: 300, DesignFlowLPM: 40},
			{Name: "raceway 1", Kind: site.Raceway, Section: "raceways", VolumeL: 20000},
			{Name: "deep 1", Kind: site.DeepTrough, Section: "raceways", VolumeL: 1000},
		},
		Chores: []site.Chore{
			{Name: "cleaning", Units: []string{"trough 1", "trough 2"}, By: []int{10 * 60}, EvenEmpty: true},
			{Name: "intake clearing", By: []int{8 * 60, 17 * 60}},
		},
		Lots: []lot.Lot{{
			ID: "2026-A", Species: "brook trout", EggTake: Start.AddDate(0, 0, -30), Start: lot.Green, Eggs: 24000,
			Path: []lot.Stay{{Unit: "stack 1", From: Start.AddDate(0, 0, -1)}},
		}},
	}
	add := func(unit string, q reading.Quantity, high float64) {
		id := unit + " " + q.String()
		low := 0.0
		if q == reading.Temperature {
			low = -1
		}
		s.Probes = append(s.Probes, site.Probe{
			ID: reading.ProbeID(id), Quantity: q, At: unit, Topic: "alderfork/" + id, Format: site.Number,
			Unit: q.Dimension().Base(), Low: low, High: high, Every: time.Minute,
		})
	}
	add("spring", reading.Temperature, 30)
	add("spring", reading.Flow, 20000)
	add("spring", reading.Oxygen, 25)
	for _, u := range []string{"stack 1", "stack 2"} {
		add(u, reading.Temperature, 30)
		s.Probes[len(s.Probes)-1].StandIn = "spring temperature"
		add(u, reading.Flow, 160)
	}
	add("trough 1", reading.Temperature, 30)
	add("trough 1", reading.Flow, 400)
	add("trough 2", reading.Flow, 400)
	add("raceway 1", reading.Temperature, 30)
	add("raceway 1", reading.Oxygen, 25)
	add("deep 1", reading.Saturation, 250)
	return s
}

// Reading is a reading that came the moment it was taken. Values are in the
// base unit.
func Reading(probe reading.ProbeID, at time.Time, value float64, flags ...reading.Flags) reading.Reading {
	r := reading.Reading{Probe: probe, At: at, ArrivedAt: at, Value: value}
	for _, f := range flags {
		r.Flags |= f
	}
	return r
}
