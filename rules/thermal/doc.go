// Package thermal owns thermal units: the integral of water temperature above a
// base over time, in degree-days (degC) and US temperature units (degF above
// 32), by trapezoid over the actual times of the readings.
//
// The temperature of the water is a course of straight lines between what was
// read. Its gaps are never silently zero and never silently filled:
//
//   - a step of up to Gaps.Measured counts as measured;
//   - up to Gaps.Short it is bridged by a straight line;
//   - a longer gap follows the stand-in probe, shifted by what the two differed
//     by before (and at hand readings, by what those say), and is booked as
//     stand-in time;
//   - where the stand-in has nothing either, straight lines between readings by
//     hand thermometer, booked as by hand where they are at most HandReach apart;
//   - what is left is a straight line, or at an open end the nearest
//     temperature, booked as unsupported.
//
// Because the course does not depend on where a span begins and ends, spans add
// up: two halves of a lot in the same water gather the same, and a lot's path
// through several waters is the sum of its stays.
//
// The package does no I/O: readings are handed to it in order of time.
package thermal
