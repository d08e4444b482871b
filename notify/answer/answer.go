// Package answer reads what people write back to a call-out: "4711", "coming
// 4711", "pause 30 4711", "status". It owns the words of an answer and nothing
// else: whose code it is and what comes of it is for whoever asks. It does no
// I/O.
package answer

import (
	"fmt"
	"strings"
	"time"
	"unicode"
)

// Verb is what somebody says.
type Verb string

// The verbs.
const (
	// Unclear: nothing that is obeyed; the error of Parse says why.
	Unclear Verb = "unclear"
	// Coming: the trouble that the code stands for is acknowledged.
	Coming Verb = "coming"
	// Pause: its call-outs are held back for a while.
	Pause Verb = "pause"
	// Status: what stands now is wanted.
	Status Verb = "status"
)

// Bounds of a pause (common practice, no source).
const (
	MinPause = 5 * time.Minute
	MaxPause = 2 * time.Hour
)

// CodeDigits is the length of a code.
const CodeDigits = 4

// Answer is what was read.
type Answer struct {
	Verb Verb
	// Code is four digits; "" with Status alone where none was given.
	Code string
	// For is how long a Pause lasts, within its bounds; else 0.
	For time.Duration
}

// UnclearError says why a text is no answer, in words for the one who wrote it.
type UnclearError struct{ Reason string }

func (e *UnclearError) Error() string { return "answer: " + e.Reason }

// maxText bounds what is read of a text, bytes: the longest text message of ten
// parts fits.
const maxText = 4096

// words are those understood, by what they say. What an automatic reply says
// of itself is among no: it never acts.
var words = map[string]Verb{
	"coming": Coming, "come": Coming, "ok": Coming, "okay": Coming, "yes": Coming, "y": Coming, "ack": Coming, "acknowledge": Coming, "acknowledged": Coming, "answer": Coming, "way": Coming,
	"pause": Pause, "wait": Pause, "hold": Pause,
	"status": Status, "state": Status,
}

// refusing are words that say that nobody comes: with them no code acknowledges.
var refusing = map[string]bool{
	"no": true, "not": true, "cannot": true, "can't": true, "cant": true, "don't": true, "dont": true, "won't": true, "wont": true,
	"never": true, "unable": true, "stop": true, "cancel": true, "automatic": true, "autoreply": true, "auto-reply": true, "vacation": true, "away": true,
	"abroad": true, "holiday": true, "ill": true, "sick": true, "busy": true, "somebody": true, "someone": true, "else": true, "nobody": true,
}

// units of the time of a pause.
var units = map[string]time.Duration{
	"m": time.Minute, "min": time.Minute, "mins": time.Minute, "minute": time.Minute, "minutes": time.Minute,
	"h": time.Hour, "hr": time.Hour, "hrs": time.Hour, "hour": time.Hour, "hours": time.Hour,
}

// Parse reads one text. Case, punctuation, digits of other scripts, a quoted
// message below the answer and a signature do not matter. A text without
// anything but a code says that its writer comes. What could be meant in two
// ways is Unclear: a wrong guess would silence what nobody answered.
// Errors: *UnclearError, with Answer.Verb Unclear.
func Parse(text string) (Answer, error) {
	unclear := func(format string, args ...any) (Answer, error) {
		return Answer{Verb: Unclear}, &UnclearError{fmt.Sprintf(format, args...)}
	}
	var codes, numbers []string
	verbs := map[Verb]bool{}
	var lasts time.Duration
	timed, refused, echoed := 0, false, false
	tokens := split(own(text))
	for i := 0; i < len(tokens); i++ {
		w := tokens[i]
		if w[0] >= '0' && w[0] <= '9' {
			next := ""
			if i+1 < len(tokens) {
				next = tokens[i+1]
			}
			switch unit, ok := units[next]; {
			case ok: // "30 min", "2 h"
				lasts, timed = times(w, unit), timed+1
				i++
			case len(w) == CodeDigits:
				codes = append(codes, w)
			default:
				numbers = append(numbers, w)
			}
			continue
		}
		refused = refused || refusing[w]
		echoed = echoed || w == "reply" && i+2 < len(tokens) && len(tokens[i+1]) == CodeDigits && (tokens[i+2] == "if" || tokens[i+2] == "by")
		if v, ok := words[w]; ok {
			verbs[v] = true
		}
	}
	code := ""
	for _, c := range codes {
		if code != "" && c != code {
			return unclear("there are two codes in it, %s and %s: send one of them alone", code, c)
		}
		code = c
	}
	switch {
	case verbs[Status]:
		if verbs[Pause] {
			return unclear("it asks for the status and for a pause: send one of them")
		}
		return Answer{Verb: Status, Code: code}, nil // it harms nothing, whatever else is said
	case echoed:
		return unclear("it holds the message that it answers: send the code alone")
	case refused:
		return unclear("it says that nobody comes: the call goes on")
	case code == "" && len(numbers) > 0:
		return unclear("the code has %d digits; it stands in the message", CodeDigits)
	case code == "":
		return unclear("there is no code in it")
	case verbs[Pause]:
		if verbs[Coming] {
			return unclear("it says both that you come and that it is to wait: send one of them")
		}
		if len(numbers)+timed != 1 {
			return unclear("say for how many minutes, such as pause 30 %s", code)
		}
		if timed == 0 {
			lasts = times(numbers[0], time.Minute)
		}
		if lasts < MinPause || lasts > MaxPause {
			return unclear("a pause lasts 5 to 120 minutes, such as pause 30 %s", code)
		}
		return Answer{Verb: Pause, Code: code, For: lasts}, nil
	}
	return Answer{Verb: Coming, Code: code}, nil
}

// times is digits times a unit, beyond every bound where there are many.
func times(digits string, unit time.Duration) time.Duration {
	if len(digits) > CodeDigits {
		return MaxPause + 1
	}
	n := time.Duration(0)
	for _, c := range []byte(digits) {
		n = 10*n + time.Duration(c-'0')
	}
	return n * unit
}

// own is what the writer himself wrote: not what he quotes, not his signature.
func own(text string) string {
	if len(text) > maxText {
		text = text[:maxText]
	}
	var b strings.Builder
	for line := range strings.Lines(strings.ReplaceAll(strings.ToValidUTF8(text, " "), "\r", "\n")) {
		t := strings.TrimSpace(line)
		switch {
		case t == "--" || t == "—" || strings.HasPrefix(t, "-----") || strings.HasPrefix(t, "_____"):
			return b.String() // a signature (RFC 3676 section 4.3), or what a mail program puts over what it quotes
		case strings.HasPrefix(t, ">"):
			continue
		case strings.HasSuffix(t, ":") && strings.ContainsRune(t, '@'), strings.HasSuffix(t, "wrote:"):
			return b.String()
		}
		b.WriteString(t)
		b.WriteByte('\n')
	}
	return b.String()
}

// split gives the words and numbers of a text, in small letters and plain
// digits. A number and the letters right after it are two: "30min".
func split(text string) []string {
	var out []string
	var word strings.Builder
	digits := false
	end := func() {
		if word.Len() > 0 {
			out = append(out, strings.Trim(word.String(), "'-"))
			if out[len(out)-1] == "" {
				out = out[:len(out)-1]
			}
			word.Reset()
		}
	}
	for _, c := range text {
		switch {
		case unicode.Is(unicode.Cf, c): // marks of direction, which a telephone puts in unseen
		case unicode.Is(unicode.Nd, c):
			if !digits {
				end()
			}
			digits = true
			word.WriteByte(digit(c))
		case unicode.IsLetter(c) || c == '\'' || c == '’' || c == '-':
			if digits {
				end()
			}
			digits = false
			if c == '’' {
				c = '\''
			}
			if word.Len() < 64 {
				word.WriteRune(unicode.ToLower(c))
			}
		default:
			end()
			digits = false
		}
	}
	end()
	return out
}

// digit is the plain digit of a decimal digit of any script: the ten of a script
// follow one another from its zero (Unicode Standard, section 4.6).
func digit(c rune) byte {
	for _, r := range unicode.Nd.R16 {
		if rune(r.Lo) <= c && c <= rune(r.Hi) {
			return '0' + byte((c-rune(r.Lo))%10)
		}
	}
	for _, r := range unicode.Nd.R32 {
		if rune(r.Lo) <= c && c <= rune(r.Hi) {
			return '0' + byte((c-rune(r.Lo))%10)
		}
	}
	return '0'
}
