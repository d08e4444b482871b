package act

// Drill is a drill that was held.
type Drill struct {
	Start Act
	// Answer is the first answer to it; its At is zero where there was none.
	Answer Act
}

// Drills folds acts, in the order of the record, to the drills that were held.
func Drills(acts []Act) (list []Drill) {
	for _, a := range acts {
		switch n := len(list); {
		case a.Kind == DrillStarted:
			list = append(list, Drill{Start: a})
		case a.Kind == DrillAnswered && n > 0 && list[n-1].Answer.At.IsZero():
			list[n-1].Answer = a
		}
	}
	return list
}
