// Package measure owns the units a keeper writes and reads, and their
// conversion to the base units the rest of weirkeeper computes in.
//
// Base units: temperature degC, flow L/min, oxygen mg/L, saturation percent of
// air saturation, volume L, length m, pressure hPa, time s, thermal units
// degree-days (degC above the base, times days).
//
// It does no I/O and knows no probes. A number without a unit is never
// accepted: a keeper who writes "30" may mean gallons.
package measure
