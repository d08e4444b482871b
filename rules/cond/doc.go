// Package cond owns what the conditions of the rules file come to: checked trees
// of numbers and truths, compiled to closures that judge without allocating, and
// the windows over a probe's recent readings that they look at. It knows nothing
// of HCL (rules/lang reads and checks it) nor of alarms (rules judges).
//
// A condition has three values. What rests on a probe that is silent is Unknown,
// and and, or and not follow Kleene's strong logic: No and Unknown is No, Yes or
// Unknown is Yes, and everything else that an unknown part could decide is
// Unknown. So a value that becomes known never turns a Yes into a No.
//
// Numbers are in base units. A number over zero is infinite, which compares as it
// should (the flow of one unit over that of another that has stopped); zero over
// zero is not known.
package cond
