// Package scenario is a keeper's own tests of their rules: files that say what
// the probes read and what people do, minute by minute, and which alarms must
// come of it.
//
//	scenario "a standpipe left up" {
//	  begin = "2026-11-20 22:00"          # by the site's clock; default: noon on 15 January 2026
//
//	  # Steps follow one another. What is not named says what is usual.
//	  during "30 min" {}
//	  during "20 min" {
//	    probe "trough 3 flow" {
//	      says = "0 L/min"
//	    }
//	  }
//	  during "15 min" {}
//
//	  expect "low_flow/troughs/trough 3 flow" {
//	    not_before = "31 min"             # from begin on
//	    by         = "33 min"
//	    over_by    = "55 min"
//	  }
//	  never        = ["low_flow/spring"]
//	  nothing_else = true
//	}
//
// An alarm is named as everywhere, by kind, rule and probe, or by its kind and
// one of rule, unit and probe; then any alarm that fits is meant. A probe may
// also go from one value to another in a straight line (says and to), be silent,
// and have another usual value (usual "spring flow" { says = "40 gpm" }). In a
// step somebody may clean a unit from its beginning to its end (clean) or have
// done a chore (done).
//
// Usual is: a unit's design flow, 8 degC, 10 mg/L, 95 % of saturation, a contact
// that no rule complains of; each a little unsteady, as water is, where what a
// step says is exact. A probe without a usual value, as of a flow without a
// design flow, says nothing unless the scenario says what. All has been usual
// for a day before the scenario begins.
package scenario
