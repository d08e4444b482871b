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
// source's flow against the sum of what it feeds), silent_probe, stuck_probe,
// jumping_probe, impossible_value and probe_in_air (a probe itself), contact (a
// switch: mains, a float, a door), missed_chore and condition. Every block has
// covers, priority, can_happen and to_do; one rule covers many units, or probes by name;
// where a rule judges several quantities, covers may keep it to some of them.
// Every number carries its unit.
//
// A condition is put together by the keeper, in HCL's own expressions:
//
//	condition "warm and slow" {
//	  covers {
//	    kinds = ["trough"]
//	  }
//	  when    = flow < "70%" * design_flow && temperature - unit["spring"].temperature > "2 degC"
//	  until   = flow > "80%" * design_flow     # as soon as when is no longer true, if left out
//	  lasting = "2 min"                        # the same as on_delay
//	  says    = "runs warm and slow"           # what somebody is woken with; else its name
//	  ...
//	}
//
// flow, temperature, oxygen, saturation, contact, design_flow and volume are those
// of the covered unit, unit["spring"].flow that of another, probe["spring flow"] any
// probe. Amounts stand in quotes with their unit, "70%" is a share or a saturation,
// bare numbers have no unit. There are comparisons, + - * /, &&, ||, !, a ? b : c,
// parentheses (within which a line may end), and
//
//	min mean median max of several; abs of one
//	mean_over(flow, "10 min") and min_over, max_over, median_over, change_over (the
//	    newest less the oldest), stdev_over: of one probe's readings in the time before
//	    its newest one, up to 7 d; not known until they span half of it
//	saturation_of(oxygen, temperature), oxygen_at(saturation, temperature)
//	turnover(flow, volume), changes of water an hour
//	all any at_least(2, a, b, c) of what is true or false
//	silent(flow), closed(probe["mains"]), opened(probe["mains"])
//
// Types are checked with their units, a difference of temperatures apart from a
// temperature, and what no plausible reading can change is a fault. What rests on a
// silent probe is not known: it neither raises nor ends an alarm (see rules/cond).
//
// All faults of all files are reported in one run, each at its place with what
// to write instead. The package does no I/O and evaluates nothing.
package lang
