// Package sim owns the simulated hatchery: what its water does, what goes
// wrong with it, and what its probes publish about it.
//
// A Model is pure: the same site, seed, start and troubles give the same
// messages to the byte, however the time is cut into pieces. A Publisher sends
// them over real MQTT and waits until the broker has acknowledged each, which
// keeps simulated time in step with whoever reads them.
//
// The water: one spring, with a season, a small daily swing and a slowly
// changing yield, runs through a head box to every unit side by side. Nothing
// runs in series and nothing is used twice. The head box gives each unit what
// its valve is set to and spills the rest; when the spring gives less than
// that, all go short in the same proportion. A unit is one well-mixed volume,
// warmed or cooled by what surrounds it; its oxygen is what comes in less what
// the stock takes. Air gives no oxygen back to a unit, and water holds no more
// than saturation.
//
// It is made to look right on a screen and to keep its balances, not to
// forecast any real hatchery: except for oxygen saturation its numbers are
// common practice, no source.
package sim
