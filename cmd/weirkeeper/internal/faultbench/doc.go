// Package faultbench measures the shipped rules: how surely and how soon they
// tell of trouble, and how often they call somebody out for nothing. It has tests
// only; the report is theirs:
//
//	go test -v -run TestFaultBench ./cmd/weirkeeper/internal/faultbench -seeds 20 -nights 60
//	go test -v -run TestRealStream ./cmd/weirkeeper/internal/faultbench -seeds 20
//
// Each fault is a kind of trouble at a random place, hour, length and severity,
// drawn from its seed; each seed gives other water too. A fault is found when an
// alarm of a fitting kind is raised where it fits, after the fault began. One
// that threatens lives must call somebody out, in every seed, before the oxygen
// runs out: before the time that rules/oxyclock gives at least from when a unit
// lost half of its water, and before the simulated oxygen is down to 5 mg/L.
//
// The quiet nights have what an ordinary life has: a season, people who clean and
// say so, a message in a hundred that is lost, a probe that is silent for some
// minutes. Whatever calls somebody out then is false.
package faultbench
