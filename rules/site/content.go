package site

// Content is what a unit holds, by how far its eggs or fish have come.
type Content string

// The contents, youngest first. Where a unit holds several, the youngest
// decides.
const (
	Eggs   Content = "eggs"
	SacFry Content = "sac fry"
	// Fry swim up and feed.
	Fry Content = "fry"
	// Fingerlings were fed and weighed at 1 g or more (common practice, no
	// source).
	Fingerlings Content = "fingerlings"
	// Empty: by the book a lot lay there once and nothing does now. A unit that
	// no lot ever lay in is not empty: nothing is known of what it holds.
	Empty Content = "empty"
)

// FingerlingG is the mean weight from which fry are fingerlings, grams.
const FingerlingG = 1

// Contents lists them.
func Contents() []Content { return []Content{Eggs, SacFry, Fry, Fingerlings, Empty} }
