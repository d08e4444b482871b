package rules

import "time"

// Wake has the next tick judge everything.
func (e *Engine) Wake() { e.due = time.Time{} }
