// Package site owns the description of a hatchery: its water, units, probes,
// chores and lots, checked and in base units. The site file is turned into a
// Site by package config; the rules and the engine read it. It does no I/O.
package site

import (
	"time"

	"weirkeeper/rules/lot"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
)

// Kind is what a unit is.
type Kind string

// The kinds of unit, from the water's source to the fish.
const (
	Spring     Kind = "spring"
	HeadBox    Kind = "head box"
	Stack      Kind = "stack"
	Trough     Kind = "trough"
	DeepTrough Kind = "deep trough"
	Raceway    Kind = "raceway"
)

// Kinds lists every kind in the order the water flows.
func Kinds() []Kind { return []Kind{Spring, HeadBox, Stack, Trough, DeepTrough, Raceway} }

// Section is a part of the hatchery, such as the hatch house.
type Section struct {
	Name string
}

// Unit is anything that holds running water.
type Unit struct {
	Name    string
	Kind    Kind
	Section string // "" when it stands alone
	// FedBy is the unit its water comes from, as stated; "" when nothing is
	// stated. Site.Feeder knows what holds then.
	FedBy string
	// Trays is the number of trays of a stack, 0 for other kinds.
	Trays int
	// VolumeL is the water volume, litres; 0 when not stated.
	VolumeL measure.VolumeL
	// DesignFlowLPM is the flow it is built for, L/min; 0 when not stated.
	DesignFlowLPM measure.FlowLPM
}

// Format is how a probe's payload is written.
type Format string

// The payload formats.
const (
	// Number is a decimal number alone.
	Number Format = "number"
	// JSON is an object or array with the value at a path.
	JSON Format = "json"
	// SenML is a SenML JSON pack, RFC 8428.
	SenML Format = "senml"
)

// Formats lists every payload format.
func Formats() []Format { return []Format{Number, JSON, SenML} }

// TimeFormat is how a JSON payload writes the time of the sample.
type TimeFormat string

// The time formats.
const (
	UnixSeconds TimeFormat = "unix"
	UnixMillis  TimeFormat = "unix-ms"
	RFC3339     TimeFormat = "rfc3339"
)

// TimeFormats lists every time format.
func TimeFormats() []TimeFormat { return []TimeFormat{UnixSeconds, UnixMillis, RFC3339} }

// Probe is one measured quantity at one place.
type Probe struct {
	ID       reading.ProbeID
	Quantity reading.Quantity
	// At is the name of the unit it stands in; "" for a contact of the whole
	// site.
	At string
	// Topic is the exact MQTT topic (no wildcards). Several probes may
	// share one topic when the payload carries several values.
	Topic  string
	Format Format
	// Unit is the unit of the number in the payload; the zero Unit for a
	// contact. SenML payloads may carry their own and override it.
	Unit measure.Unit
	// ValuePath and TimePath are dotted paths into a JSON payload, such as
	// "water.temp" or "values.0"; TimePath "" means no time is sent.
	ValuePath, TimePath string
	TimeFormat          TimeFormat
	// Inverted says that a contact's 0, off, open or false means closed.
	Inverted bool
	// RecordName is the resolved SenML name of the record; "" takes the
	// only record of the right unit.
	RecordName string
	// Low and High bound what the probe can plausibly read, base unit,
	// inclusive. Readings outside are kept but not believed.
	Low, High float64
	// Every is the expected interval between readings, at least a second.
	Every time.Duration
	// StandIn is the probe whose readings fill long gaps, "" for none.
	StandIn reading.ProbeID
	// Accuracy is the half-width of its error, in the base unit; 0 when not
	// stated.
	Accuracy float64
}

// DefaultAccuracyC is what a temperature probe is taken to be good for where
// the site file does not say (common practice, no source).
const DefaultAccuracyC measure.TempC = 0.5

// ChoreDone is a chore done once.
type ChoreDone struct {
	Chore string
	Unit  string // "" when the chore is for the whole site
	By    string // who
	At    time.Time
	Via   string // how it came: "command", "page", "button", "link"; "" when not known
}

// Show is the units the keeper reads.
type Show struct {
	Temperature, Flow, Oxygen measure.Unit
}

// Site is the whole hatchery. Names are unique within their list.
type Site struct {
	Name string
	// PressureHPa is the mean barometric pressure at the site, stated or
	// worked out from the altitude; it enters oxygen saturation.
	PressureHPa measure.PressureHPa
	Location    *time.Location // for hours of the day; never nil
	Show        Show
	Sections    []Section
	Units       []Unit
	Probes      []Probe
	Chores      []Chore
	Buttons     []Button
	Lots        []lot.Lot
	// Species are what the keeper states of each, by name in lower case.
	Species map[string]lot.Profile
}

// HandProbe is the name under which readings by hand thermometer in a unit are
// recorded.
func HandProbe(unit string) reading.ProbeID { return reading.ProbeID("by hand: " + unit) }

// ShowUnit is the unit in which the keeper reads a quantity.
func (s *Site) ShowUnit(q reading.Quantity) measure.Unit {
	switch q {
	case reading.Temperature:
		return s.Show.Temperature
	case reading.Flow:
		return s.Show.Flow
	case reading.Oxygen:
		return s.Show.Oxygen
	case reading.Saturation:
		return measure.PercentSat
	case reading.Contact:
	}
	return measure.Unit{}
}

// Format words a value in the base unit as the keeper reads it: "8.3 degC", or
// "closed".
func (s *Site) Format(q reading.Quantity, base float64) string {
	if q == reading.Contact {
		return reading.ContactWord(base)
	}
	return s.ShowUnit(q).Format(base)
}

// Unit finds a unit by name.
func (s *Site) Unit(name string) (*Unit, bool) {
	for i := range s.Units {
		if s.Units[i].Name == name {
			return &s.Units[i], true
		}
	}
	return nil, false
}

// Probe finds a probe by its ID.
func (s *Site) Probe(id reading.ProbeID) (*Probe, bool) {
	for i := range s.Probes {
		if s.Probes[i].ID == id {
			return &s.Probes[i], true
		}
	}
	return nil, false
}

// ProbeAt finds the first probe of a quantity at a unit.
func (s *Site) ProbeAt(unit string, q reading.Quantity) (*Probe, bool) {
	for i := range s.Probes {
		if s.Probes[i].At == unit && s.Probes[i].Quantity == q {
			return &s.Probes[i], true
		}
	}
	return nil, false
}

// SpringProbe finds the probe that stands for the spring water's quantity: the
// first one at a unit of kind spring, else at a head box.
func (s *Site) SpringProbe(q reading.Quantity) (*Probe, bool) {
	for _, kind := range []Kind{Spring, HeadBox} {
		for i := range s.Units {
			if s.Units[i].Kind != kind {
				continue
			}
			if p, ok := s.ProbeAt(s.Units[i].Name, q); ok {
				return p, true
			}
		}
	}
	return nil, false
}

// Chore finds a chore by name.
func (s *Site) Chore(name string) (*Chore, bool) {
	for i := range s.Chores {
		if s.Chores[i].Name == name {
			return &s.Chores[i], true
		}
	}
	return nil, false
}
