// Package lang reads the rules file: HCL blocks that a keeper can read at
// night, checked against the site and resolved to what each one watches.
//
//	low_flow "trough flow" {
//	  covers {
//	    kinds  = ["trough"]
//	    except = ["trough 10"]
//	  }
//	  setpoint  = "28 L/min"        # or share_of_design_flow = "70%"
//	  deadband  = "2 L/min"
//	  on_delay  = "60 s"
//	  off_delay = "2 min"
//	  priority  = "call-out"        # or "morning", or "note"
//	  can_happen = "Fry use up the oxygen of a still trough in minutes."
//	  to_do      = "Open the bypass, then look for a blocked screen."
//	}
//
// The blocks are low_flow, temperature_drift (the probe's own recent median),
// temperature_from_spring, temperature_band, low_oxygen, high_flow, high_oxygen,
// fast_change (of any quantity), slow_drift (over days), from_sister (one unit
// against another, or against the median of all covered), water_balance (a
// source's flow against the sum of what it feeds), silent_probe and missed_chore. Every block has covers, priority, can_happen and to_do; one rule
// covers many units. Every number carries its unit.
//
// All faults of all files are reported in one run, each at its place with what
// to write instead. The package does no I/O and evaluates nothing.
package lang
