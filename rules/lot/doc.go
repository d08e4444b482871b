// Package lot owns the lot: a group of eggs or fish of one egg take, its
// thermal units, and what they say about eyeing, hatch and swim-up.
//
// Thermal units are an integral over the temperature of the water the lot lay
// in, by trapezoid over the actual times of the readings. Gaps are never
// silently zero: short ones are bridged by a straight line, long ones are
// filled from the stand-in probe where there is one, and both are told apart
// from measured time. Requirements are ranges, because published ones differ by
// strain and temperature by 10 to 20 percent.
//
// The package does no I/O: readings are handed to it in order of time.
package lot
