package gsm

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var start = time.Date(2026, 1, 10, 2, 0, 0, 0, time.UTC)

func part(from string, ref uint16, seq, total int, text string) Deliver {
	data, _ := Encode(text)
	return Deliver{From: from, Content: Content{Text: text, Data: data, Part: Part{Ref: ref, Seq: seq, Total: total}}}
}

func TestJoiner(t *testing.T) {
	const kim, lee = "+447700900001", "+447700900002"
	type step struct {
		after time.Duration // since start
		add   Deliver       // From "" only lets time go by
		want  []string      // text, and what is missing
	}
	ucs := func(seq int, data ...byte) Deliver {
		return Deliver{From: kim, Content: Content{Text: UCS2.decode(data), Coding: UCS2, Data: data, Part: Part{Seq: seq, Total: 2}}}
	}
	for name, c := range map[string]struct {
		joiner Joiner
		steps  []step
		held   int
	}{
		"one part": {steps: []step{{add: part(kim, 0, 0, 0, "4711"), want: []string{"4711"}}}},
		"1 of 1":   {steps: []step{{add: part(kim, 9, 1, 1, "4711"), want: []string{"4711"}}}},
		"in order": {steps: []step{
			{add: part(kim, 9, 1, 3, "a")}, {add: part(kim, 9, 2, 3, "b")}, {add: part(kim, 9, 3, 3, "c"), want: []string{"abc"}},
		}},
		"out of order, one twice": {steps: []step{
			{add: part(kim, 9, 3, 3, "c")}, {add: part(kim, 9, 1, 3, "a")}, {add: part(kim, 9, 3, 3, "c")}, {add: part(kim, 9, 2, 3, "b"), want: []string{"abc"}},
		}},
		"two senders, same reference": {steps: []step{
			{add: part(kim, 9, 1, 2, "a")}, {add: part(lee, 9, 2, 2, "d")}, {add: part(lee, 9, 1, 2, "c"), want: []string{"cd"}}, {add: part(kim, 9, 2, 2, "b"), want: []string{"ab"}},
		}},
		"a name is no number": {steps: []step{
			{add: part(kim, 9, 1, 2, "a")}, {add: Deliver{Name: kim, Content: part("", 9, 2, 2, "b").Content}},
		}, held: 2},
		"two names": {steps: []step{
			{add: Deliver{Name: "Kim", Content: part("", 9, 1, 2, "a").Content}}, {add: Deliver{Name: "Lee", Content: part("", 9, 2, 2, "b").Content}},
		}, held: 2},
		"references of 8 and 16 bits": {steps: []step{
			{add: part(kim, 9, 1, 2, "a")}, {add: Deliver{From: kim, Content: Content{Data: []byte("b"), Part: Part{Ref: 9, Wide: true, Seq: 2, Total: 2}}}},
		}, held: 2},
		"other total": {steps: []step{{add: part(kim, 9, 1, 2, "a")}, {add: part(kim, 9, 2, 3, "b")}}, held: 2},
		"reference used again": {steps: []step{
			{add: part(kim, 9, 1, 2, "a")}, {add: part(kim, 9, 1, 2, "new "), want: []string{"a, 1 missing"}}, {add: part(kim, 9, 2, 2, "one"), want: []string{"new one"}},
		}},
		"given up": {steps: []step{
			{add: part(kim, 9, 1, 3, "a")},
			{after: 5 * time.Minute, add: part(kim, 9, 3, 3, "c")},
			{after: 10*time.Minute - 1},
			{after: 10 * time.Minute, want: []string{"ac, 1 missing"}},
		}},
		"given up as another comes": {joiner: Joiner{Age: time.Minute}, steps: []step{
			{add: part(kim, 9, 1, 2, "a")}, {after: time.Minute, add: part(lee, 0, 0, 0, "b"), want: []string{"a, 1 missing", "b"}},
		}},
		"clock put back": {steps: []step{
			{add: part(kim, 9, 1, 2, "a")}, {after: -time.Hour}, {after: -time.Hour + 10*time.Minute, want: []string{"a, 1 missing"}},
		}},
		"full": {joiner: Joiner{Parts: 3}, steps: []step{
			{add: part(kim, 1, 1, 3, "a")}, {add: part(kim, 1, 2, 3, "b")}, {add: part(kim, 2, 1, 3, "c")}, {add: part(kim, 2, 2, 3, "d"), want: []string{"ab, 1 missing"}},
		}, held: 2},
		"more parts than there is room": {joiner: Joiner{Parts: 2}, steps: []step{
			{add: part(kim, 1, 1, 3, "a")}, {add: part(kim, 1, 2, 3, "b")}, {add: part(kim, 1, 3, 3, "c"), want: []string{"abc"}},
		}},
		// The senders cut between the halves.
		"pair cut":    {steps: []step{{add: ucs(1, 0, 'a', 0xd8, 0x3d)}, {add: ucs(2, 0xdc, 0x1f), want: []string{"a\U0001F41F"}}}},
		"escape cut":  {steps: []step{{add: Deliver{From: kim, Content: Content{Data: []byte{'a', escape}, Part: Part{Seq: 1, Total: 2}}}}, {add: part(kim, 0, 2, 2, "eb"), want: []string{"a€b"}}}},
		"two codings": {steps: []step{{add: ucs(1, 0, 'a', 4, 0x16)}, {add: part(kim, 0, 2, 2, "b"), want: []string{"aЖb"}}}},
	} {
		t.Run(name, func(t *testing.T) {
			j := c.joiner
			for i, s := range c.steps {
				var out []Whole
				if now := start.Add(s.after); s.add.From == "" && s.add.Name == "" {
					out = j.Due(now)
				} else {
					out = j.Add(s.add, now)
				}
				var got []string
				for _, w := range out {
					text := w.Text
					if w.Missing > 0 {
						text += fmt.Sprintf(", %d missing", w.Missing)
					}
					if w.Part != (Part{}) || len(w.Of) == 0 {
						t.Errorf("step %d: part %v of %d", i, w.Part, len(w.Of))
					}
					got = append(got, text)
				}
				if diff := cmp.Diff(s.want, got); diff != "" {
					t.Errorf("step %d (-want +got):\n%s", i, diff)
				}
			}
			if j.Held() != c.held {
				t.Errorf("%d parts are held, want %d", j.Held(), c.held)
			}
		})
	}
}

// Strangers may send as many parts as they like.
func TestJoinerBounded(t *testing.T) {
	var j Joiner
	var out int
	for i := range 10_000 {
		for _, w := range j.Add(part(fmt.Sprintf("+4477009%05d", i), uint16(i), 1+i%255, 255, "a"), start) {
			out += len(w.Of)
		}
		if j.Held() > 64 {
			t.Fatalf("%d parts are held", j.Held())
		}
	}
	if out+j.Held() != 10_000 {
		t.Errorf("%d parts given out and %d held, want 10000", out, j.Held())
	}
}
