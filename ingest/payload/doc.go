// Package payload turns the bytes a probe publishes into samples in base
// units. It knows three formats: a number alone, JSON with the value at a
// path, and SenML JSON (RFC 8428).
//
// It does no I/O, keeps no state between payloads and judges no quality: whether
// a time is believable or a value plausible is for package ingest. It never
// panics, and every value it returns is finite.
//
// A payload may be at most MaxBytes long, nest at most MaxDepth deep and hold
// at most MaxRecords SenML records. JSON member names that contain a dot cannot
// be reached by a path.
//
// A value whose time cannot be read is still a value: it is returned without a
// time, together with an error that says what is wrong with the time.
//
// SenML times below 2^28 seconds are relative to the arrival, as the standard
// has it, so a pack that waited in a broker seems younger than it is. Probes
// that can be cut off should send absolute times.
package payload
