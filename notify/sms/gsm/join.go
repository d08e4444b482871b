package gsm

import (
	"bytes"
	"slices"
	"time"
)

// A Joiner puts the parts of longer texts together. It holds at most Parts of
// them, for at most Age; a text that is not whole by then, or whose room another
// one needs, is given out with what there is of it: an answer with a piece
// missing is better than none. The zero value of either is its default.
//
// It is for one goroutine.
type Joiner struct {
	// Parts is the most that are held, of all texts together; default 64.
	Parts int
	// Age is how long the first part to come waits for the others; default 10
	// minutes.
	Age time.Duration

	texts []*pending // in the order of their first parts to come
}

type pending struct {
	from, name string
	ref        uint16
	wide       bool
	total      int
	since      time.Time
	parts      []Deliver // by Seq
}

// Whole is a text with all its parts.
type Whole struct {
	// Deliver is the first part there is, but with the text of all, in Data
	// only when all have the same coding, and no Part.
	Deliver
	// Of are the parts, by Seq; one for a text that was not split.
	Of []Deliver
	// Missing is how many parts did not come.
	Missing int
}

// Add takes one part and gives the texts that it makes whole, and those that are
// given up. A text of one part comes back at once. A part that is there already
// is left out of account; another one with its number begins a text anew.
func (j *Joiner) Add(d Deliver, now time.Time) []Whole {
	out := j.Due(now)
	if d.Part.Total <= 1 {
		return append(out, join([]Deliver{d}, 1))
	}
	i := slices.IndexFunc(j.texts, func(p *pending) bool { return p.of(d) })
	if i >= 0 {
		p := j.texts[i]
		at, found := slices.BinarySearchFunc(p.parts, d.Part.Seq, func(e Deliver, seq int) int { return e.Part.Seq - seq })
		switch {
		case !found:
			p.parts = slices.Insert(p.parts, at, d)
			if len(p.parts) == p.total {
				return append(out, j.take(i))
			}
			return j.shrink(out)
		case bytes.Equal(p.parts[at].Data, d.Data):
			return out
		}
		out = append(out, j.take(i))
	}
	j.texts = append(j.texts, &pending{d.From, d.Name, d.Part.Ref, d.Part.Wide, d.Part.Total, now, []Deliver{d}})
	return j.shrink(out)
}

// Due gives the texts that have waited for too long.
func (j *Joiner) Due(now time.Time) (out []Whole) {
	age := j.Age
	if age == 0 {
		age = 10 * time.Minute
	}
	for _, p := range j.texts {
		if now.Before(p.since) { // the clock was put back
			p.since = now
		}
	}
	for len(j.texts) > 0 && now.Sub(j.texts[0].since) >= age {
		out = append(out, j.take(0))
	}
	return out
}

// Held is how many parts wait for others.
func (j *Joiner) Held() (n int) {
	for _, p := range j.texts {
		n += len(p.parts)
	}
	return n
}

// shrink gives up the oldest texts until there is room again.
func (j *Joiner) shrink(out []Whole) []Whole {
	most := j.Parts
	if most == 0 {
		most = 64
	}
	for j.Held() > most {
		out = append(out, j.take(0))
	}
	return out
}

func (j *Joiner) take(i int) Whole {
	p := j.texts[i]
	j.texts = slices.Delete(j.texts, i, i+1)
	return join(p.parts, p.total)
}

func (p *pending) of(d Deliver) bool {
	return p.from == d.From && p.name == d.Name && p.ref == d.Part.Ref && p.wide == d.Part.Wide && p.total == d.Part.Total
}

// join decodes the parts as one where it can: senders cut between the halves of
// one character.
func join(parts []Deliver, total int) Whole {
	w := Whole{Deliver: parts[0], Of: parts, Missing: total - len(parts)}
	w.Part = Part{}
	if len(parts) == 1 {
		return w
	}
	var text string
	var data []byte
	same := true
	for i, d := range parts {
		text += d.Text
		data = append(data, d.Data...)
		// Over a gap, halves that do not belong together stay apart.
		same = same && d.Coding == parts[0].Coding && (i == 0 || d.Part.Seq == parts[i-1].Part.Seq+1)
	}
	if same {
		text = w.Coding.decode(data)
	} else {
		data = nil
	}
	w.Text, w.Data = text, data
	return w
}
