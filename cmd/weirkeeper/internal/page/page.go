// Package page owns the pages that a person sees in a browser: their layout,
// words in each language, styles and scripts, all embedded. It asks for what it
// shows by small interfaces and judges nothing itself.
//
// State is words and shape first, never colour alone. Every number says how old it
// is and whether it was measured. No request leaves the host.
package page

import (
	"net/http"
)

// Page is one page to be written.
type Page struct {
	// Title is a key of the catalogue.
	Title string
	// Name is that of its template, "now".
	Name string
	// Data is what that template shows.
	Data any
}

// Write writes a page in the asker's language.
func Write(w http.ResponseWriter, r *http.Request, status int, p Page) {
	panic("not yet")
}

// Wants reports whether the asker is a browser that wants a page, not the text
// that commands and scripts read.
func Wants(r *http.Request) bool {
	panic("not yet")
}
