// Package hclread reads typed attributes out of HCL bodies and collects every
// fault on the way, so that one run shows a keeper all that is wrong in a file,
// each with its place and what to write instead. The site file (config) and the
// rules file (rules/lang) are both read through it.
//
//	files := hclread.NewFiles()
//	body, diags := files.Parse("rules.hcl", src)
//	file := hclread.Read(body, &diags, "the rules file")
//	for _, b := range file.Named("low_flow") {         // low_flow "stacks" { ... }
//		b.Need("setpoint", `"28 L/min"`)               // fault on the header if missing
//		low, ok := b.Amount("setpoint", measure.Flow)  // ok is false if missing or faulty
//		units := b.KnownNames("units", "unit", known)  // unknown ones are faults
//		if ok && low.Value <= 0 {
//			b.Fault(b.Rng("setpoint"), "Setpoint too low", `Write a flow above 0, such as "28 L/min".`)
//		}
//		b.Done()                                       // whatever was not asked for is a fault
//	}
//	file.Done()
//	files.Render(os.Stderr, diags, 78)
//
// Every reader (Text, Int, Number, Bool, Amount, AmountRange, Unit, Duration,
// Choice, Names, KnownNames, Texts, Moment, HourOfDay, HoursOfDay) makes its name known
// to Done, reports a bad value once at its place, and returns ok = false for a
// missing or bad value: callers never report the same thing again. Blocks come
// by Named (one label, unique), One (at most one, no label) or Blocks (as they
// are). Unknown and Twice make the usual faults for a name that is not there
// and a name that is there twice.
//
// Parse's diagnostics must stand in the collector before Read: what the parser
// could not read is not reported again as missing.
//
// Values must be constant: there are no variables, functions or evaluation
// contexts. The package does no I/O and knows nothing of hatcheries but units.
// It does not keep comments and cannot write files.
package hclread
