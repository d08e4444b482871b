package lot

import (
	"fmt"
	"time"

	"weirkeeper/rules/measure"
)

// TenderAt says whether a lot's eggs are tender at a time: from Tender.From
// after the egg take until eyed was seen or, as long as nobody wrote that down,
// until its units exceed Tender.Until or the upper end of the requirement for
// eyed. Without either of these they stay tender until eyed was seen. A lot that
// came eyed or later never is. Times in the words are in at's location.
func (p Profile) TenderAt(start Stage, eggTake, eyedAt time.Time, eyed Need, units measure.DegreeDays, at time.Time) TenderState {
	if start != Green {
		return TenderState{}
	}
	from := p.Tender.From
	if from == 0 {
		from = DefaultTenderFrom
	}
	st := TenderState{From: eggTake.Add(from)}
	until := p.Tender.Until
	if until == 0 {
		until = eyed.High
	}
	const day, minute = "2 Jan", "2 Jan 15:04"
	since := st.From.In(at.Location()).Format(minute)
	switch {
	case !eyedAt.IsZero() && !at.Before(eyedAt):
		st.Why = "eyed on " + eyedAt.In(at.Location()).Format(day)
	case at.Before(st.From):
		st.Why = fmt.Sprintf("fresh eggs may be moved until %s, %s after egg take", since, measure.FormatDuration(from))
	case until > 0 && units > until:
		st.Why = fmt.Sprintf("nobody wrote down that they are eyed, but at %.0f degree-days they should be (by %.0f); look before you move them", units, until)
	case until > 0:
		st.Tender = true
		st.Why = fmt.Sprintf("leave them still: tender since %s until eyed is seen, or past %.0f degree-days (now %.0f)", since, until, units)
	default:
		st.Tender = true
		st.Why = fmt.Sprintf("leave them still: tender since %s until eyed is seen", since)
	}
	return st
}
