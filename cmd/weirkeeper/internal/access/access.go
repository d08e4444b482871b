// Package access owns who may do what on the page: people with a password or a
// device of theirs, sessions, roles, and the proof that a form came from our own
// page. It knows nothing of water.
package access

import "context"

// Role is what somebody may do; each may do what those before it may.
type Role uint8

// The roles.
const (
	// Nobody may see nothing.
	Nobody Role = iota
	// Look may read.
	Look
	// Work may answer, do chores and keep the record of the lots.
	Work
	// Manage may also change who has access, and pause the site.
	Manage
)

// Who is the one who asks.
type Who struct {
	// Name stands in the record beside all that is done; "" for somebody who has
	// not signed in.
	Name string
	Role Role
	// Proof goes into each form as the field "proof", and into the header
	// Weirkeeper-Proof of a script's request: without it nothing is done.
	Proof string
}

type key struct{}

// With puts who asks into a context.
func With(ctx context.Context, w Who) context.Context { return context.WithValue(ctx, key{}, w) }

// From gives who asks; the zero Who where nobody was put in.
func From(ctx context.Context) Who {
	w, _ := ctx.Value(key{}).(Who)
	return w
}
