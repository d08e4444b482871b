package site

import (
	"slices"
	"strings"

	"weirkeeper/rules/reading"
)

// contactWords are what a contact may send, the open one of each pair first
// (common practice, no source).
var contactWords = []string{"0", "1", "off", "on", "open", "closed", "false", "true"}

// ContactWords lists what a contact may send, in lower case; it is read in any
// case.
func ContactWords() []string { return slices.Clone(contactWords) }

// ContactValue reads one of them: reading.Open or reading.Closed.
func ContactValue(s string) (v float64, ok bool) {
	i := slices.IndexFunc(contactWords, func(w string) bool { return strings.EqualFold(w, s) })
	if i < 0 {
		return 0, false
	}
	if i%2 == 1 {
		return reading.Closed, true
	}
	return reading.Open, true
}
