// Package config turns the site file, one HCL file, into one checked Config
// with every default filled in. All faults of a file are reported in one run,
// each with its line and a remedy; a Config is only of use when there are none.
//
// Parse is pure. Load reads the site file; Secret.Resolve and TLS.ClientConfig
// read what the site file points to, when they are called. Paths in the file
// are relative to it.
//
// Passwords never stand in the site file. The embedded broker speaks plain MQTT
// without TLS: it is meant for this machine or a network of the hatchery's own.
// Alarm rules stand in files of their own (rules/lang).
//
// A lot block states how a lot begins at this site: its species, source, egg
// take, number and first place. Moves, counts, stages and losses are told by
// "weirkeeper lot ..." and stand in the record. A species block states what the
// keeper knows of a species: needs, equations of development, the tender time
// and limits; what it leaves out is taken from published figures.
//
// A watch list is proven: every minute has somebody on watch, else the first gap is
// a fault, or a warning where a fallback is written. The proof goes as far ahead as
// dates and days of the week take to come together anew, so that a file that is
// right today does not stop the daemon at a restart next year.
//
// The smallest file that works:
//
//	site "Alder Fork" {
//	}
//	unit "spring intake" {
//	  kind = "spring"
//	}
//	probe "spring temperature" {
//	  quantity = "temperature"
//	  at       = "spring intake"
//	  topic    = "alderfork/spring/temperature"
//	}
package config
