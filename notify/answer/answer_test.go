package answer_test

import (
	"errors"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify/answer"
)

func coming(code string) answer.Answer { return answer.Answer{Verb: answer.Coming, Code: code} }

func pause(code string, d time.Duration) answer.Answer {
	return answer.Answer{Verb: answer.Pause, Code: code, For: d}
}

func TestParse(t *testing.T) {
	status := answer.Answer{Verb: answer.Status}
	for _, tt := range []struct {
		text string
		want answer.Answer
	}{
		{"4711", coming("4711")},
		{" 4711 \r\n", coming("4711")},
		{"0007", coming("0007")},
		{"4711 coming", coming("4711")},
		{"Coming 4711!", coming("4711")},
		{"COMING.4711.", coming("4711")},
		{"ok 4711", coming("4711")},
		{"Yes, 4711", coming("4711")},
		{"I'm on my way 4711", coming("4711")},
		{"reply 4711", coming("4711")},
		{"4711 4711", coming("4711")},
		{"ok4711", coming("4711")},
		{"4711 there in 20 min", coming("4711")},
		{"4711, 20 minutes", coming("4711")},
		{"“4711”", coming("4711")},
		{"#4711", coming("4711")},
		{"\u200e4711\u200f", coming("4711")},
		{"٤٧١١", coming("4711")},
		{"４７１１ coming", coming("4711")},
		{"𝟒𝟕𝟏𝟏", coming("4711")},
		{"4711 coming\n\n--\nKim, 07700 900123", coming("4711")},
		{"coming 4711\n> Trough 3: low flow. Reply 1234 if you come.", coming("4711")},
		{"coming 4711\nOn Tue 24 Nov weirkeeper@hatchery.example wrote:\nReply 1234", coming("4711")},
		{"4711 pause 30", pause("4711", 30*time.Minute)},
		{"pause 30 4711", pause("4711", 30*time.Minute)},
		{"Pause 4711 30", pause("4711", 30*time.Minute)},
		{"pause 30min 4711", pause("4711", 30*time.Minute)},
		{"pause 4711 for 45 minutes.", pause("4711", 45*time.Minute)},
		{"pause 2h 4711", pause("4711", 2*time.Hour)},
		{"4711 pause 1 hour", pause("4711", time.Hour)},
		{"pause 5 4711", pause("4711", 5*time.Minute)},
		{"pause 120 4711", pause("4711", 2*time.Hour)},
		{"pause 0030 min 4711", pause("4711", 30*time.Minute)},
		{"status", status},
		{"Status?", status},
		{"status 4711", answer.Answer{Verb: answer.Status, Code: "4711"}},
	} {
		t.Run(tt.text, func(t *testing.T) {
			got, err := answer.Parse(tt.text)
			if d := cmp.Diff(tt.want, got); err != nil || d != "" {
				t.Errorf("error %v (-want +got):\n%s", err, d)
			}
		})
	}
}

func TestUnclear(t *testing.T) {
	for _, tt := range []struct{ text, want string }{
		{"", "no code"},
		{"coming", "no code"},
		{"hello?", "no code"},
		{"471", "4 digits"},
		{"47111", "4 digits"},
		{"pause 30", "4 digits"},
		{"pause", "no code"},
		{"4711 1234", "two codes in it, 4711 and 1234"},
		{"4711 coming 4712", "two codes"},
		{"4711\n1234", "two codes"},
		{"pause 4711", "how many minutes"},
		{"pause 30 40 4711", "how many minutes"},
		{"pause 4 4711", "5 to 120 minutes"},
		{"pause 121 4711", "5 to 120 minutes"},
		{"pause 3h 4711", "5 to 120 minutes"},
		{"pause 99999999999999999999 4711", "5 to 120 minutes"},
		{"pause 9223372036854775807 h 4711", "5 to 120 minutes"},
		{"coming 4711, pause 30", "both"},
		{"status pause 30 4711", "send one of them"},
		{"not coming 4711", "nobody comes"},
		{"no 4711", "nobody comes"},
		{"can’t come 4711", "nobody comes"},
		{"Automatic reply: I am away. You wrote 4711", "nobody comes"},
		{"Liked “Trough 3: low flow, 9.8 L/min. Reply 4711 if you come.”", "the code alone"},
		{"👎 to “Trough 3: low flow. Reply 4711 if you come”", "the code alone"},
		{"Trough 3: low flow, 9.8 L/min. Reply 4711 if you come.", "the code alone"},
		{"Drill, nothing is wrong: Alder Fork tests its call-outs. Reply 4711 by 21:00.", "the code alone"},
		{"4711 am abroad till Friday", "nobody comes"},
		{"4711 try someone else", "nobody comes"},
		{"> 4711", "no code"},
		{"-- \n4711", "no code"},
		{"\xff\xfe", "no code"},
		{strings.Repeat("a ", 3000) + "4711", "no code"},
	} {
		t.Run(tt.text[:min(len(tt.text), 40)], func(t *testing.T) {
			got, err := answer.Parse(tt.text)
			var unclear *answer.UnclearError
			if !errors.As(err, &unclear) || !strings.Contains(err.Error(), tt.want) {
				t.Fatalf("%+v, error %v, want %q", got, err, tt.want)
			}
			if d := cmp.Diff(answer.Answer{Verb: answer.Unclear}, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

// Every script's digits are read: the package relies on the ten of each lying in
// a row.
func TestDigitsOfAllScripts(t *testing.T) {
	n := 0
	for c := rune(0); c <= unicode.MaxRune; c++ {
		if !unicode.Is(unicode.Nd, c) || unicode.Is(unicode.Nd, c-1) && n%10 != 0 {
			if unicode.Is(unicode.Nd, c) {
				n++
			}
			continue
		}
		n = 1
		got, err := answer.Parse(string([]rune{c + 4, c + 7, c + 1, c + 1}))
		if err != nil || got.Code != "4711" {
			t.Errorf("digits from %U: %+v, %v", c, got, err)
		}
	}
	if n == 0 {
		t.Error("no digits at all")
	}
}

// No text makes it fail, and whatever it takes for an answer is within bounds and
// has its code in the text.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"4711", "pause 30 4711", "status 4711", "4711 coming\n-- \nkim", "٤٧١١ 1234", "pause 2h4711", "\xff4711\x00", "no 4711"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		a, err := answer.Parse(text)
		bad := (err != nil) != (a.Verb == answer.Unclear) || a.Code != "" && len(a.Code) != answer.CodeDigits
		switch a.Verb {
		case answer.Unclear:
			bad = bad || a != answer.Answer{Verb: answer.Unclear}
		case answer.Coming:
			bad = bad || a.Code == "" || a.For != 0
		case answer.Pause:
			bad = bad || a.Code == "" || a.For < answer.MinPause || a.For > answer.MaxPause
		case answer.Status:
			bad = bad || a.For != 0
		default:
			bad = true
		}
		if bad {
			t.Errorf("%q: %+v, %v", text, a, err)
		}
		if again, _ := answer.Parse(strings.ToUpper(text)); text == strings.ToValidUTF8(text, "") && isASCII(text) && again != a {
			t.Errorf("%q: %+v, in capitals %+v", text, a, again)
		}
	})
}

func isASCII(s string) bool {
	return !strings.ContainsFunc(s, func(c rune) bool { return c > unicode.MaxASCII })
}
