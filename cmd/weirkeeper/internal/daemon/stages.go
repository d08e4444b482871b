package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// stage is one long-lived part.
type stage struct {
	name string
	run  func(ctx context.Context) error
}

// stopTime bounds the whole stop.
const stopTime = 15 * time.Second

// runStages runs all stages until ctx ends or one of them returns, then stops
// them one after the other in the order given, each only when the one before
// has returned. Errors: all of theirs, and a stage that did not stop in time.
func runStages(ctx context.Context, stages []stage) error {
	type ended struct {
		i   int
		err error
	}
	done := make(chan ended, len(stages))
	cancels := make([]context.CancelFunc, len(stages))
	for i, s := range stages {
		sctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
		defer cancel()
		cancels[i] = cancel
		go func() { done <- ended{i, s.run(sctx)} }()
	}
	var errs []error
	gone := make([]bool, len(stages))
	note := func(e ended) {
		gone[e.i] = true
		if e.err != nil && !errors.Is(e.err, context.Canceled) {
			errs = append(errs, e.err)
		}
	}
	select {
	case <-ctx.Done():
	case e := <-done:
		note(e)
		if e.err == nil {
			errs = append(errs, fmt.Errorf("daemon: %s ended by itself", stages[e.i].name))
		}
	}
	limit := time.NewTimer(stopTime)
	defer limit.Stop()
	for i := range stages {
		cancels[i]()
		for !gone[i] {
			select {
			case e := <-done:
				note(e)
			case <-limit.C:
				return errors.Join(append(errs, fmt.Errorf("daemon: %s did not stop within %v", stages[i].name, stopTime))...)
			}
		}
	}
	return errors.Join(errs...)
}
