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
// Before the first reading of all, its temperature holds backwards: it counts
// as measured and as bridged as far back as a step would; what is earlier is a
// long gap. After the newest reading its temperature holds up to now, and the
// time since then is told apart like a step.
//
// Because the course does not depend on where a span begins and ends, spans add
// up: two halves of a lot in the same water gather the same, and a lot's path
// through several waters is the sum of its stays.
//
// How well units are known is a half-width of temperature times the time it
// held, whether or not the water was above the base. For measured and bridged
// time it is the accuracy of the probe; what it is for filled gaps stands with
// the constants.
//
// The package does no I/O: readings are handed to it in order of time. Times
// must lie between the years 1970 and 2262.
package thermal
