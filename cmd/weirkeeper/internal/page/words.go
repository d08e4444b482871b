package page

import (
	"fmt"
	"time"

	"golang.org/x/text/language"
)

// Language is one that pages are written in, a BCP 47 tag.
type Language string

// The languages.
const (
	English Language = "en"
	Spanish Language = "es"
)

// Languages lists them; the first is that of whoever reads none of them.
func Languages() []Language { return []Language{English, Spanish} }

// Name is the language's own name for itself.
func (l Language) Name() string {
	switch l {
	case English:
		return "English"
	case Spanish:
		return "Español"
	}
	return string(l)
}

// words are texts by key, in English and in Spanish; "%[1]s" and the like stand
// for what the template puts in.
type words map[string][2]string

// catalogue holds the words of all pages.
var catalogue = make(words)

// add puts the words of one page into the catalogue: var _ = add(words{...}).
func add(w words) struct{} {
	for key, texts := range w {
		if _, there := catalogue[key]; there {
			panic("page: two texts for " + key)
		}
		catalogue[key] = texts
	}
	return struct{}{}
}

// Text is the text of a key in a language, the key itself where there is none.
func (l Language) Text(key string, args ...any) string {
	texts, ok := catalogue[key]
	if !ok {
		return key
	}
	text := texts[0]
	if l == Spanish {
		text = texts[1]
	}
	if len(args) == 0 {
		return text
	}
	return fmt.Sprintf(text, args...)
}

func readLanguage(s string) (Language, bool) {
	for _, l := range Languages() {
		if string(l) == s {
			return l, true
		}
	}
	return "", false
}

var matcher = language.NewMatcher([]language.Tag{language.English, language.Spanish})

// accepted is the language that fits an Accept-Language header best.
func accepted(header string) Language {
	if len(header) > 200 {
		return English
	}
	tags, _, err := language.ParseAcceptLanguage(header)
	if err != nil {
		return English
	}
	_, i, _ := matcher.Match(tags...)
	return Languages()[i]
}

var (
	spanishDays   = [...]string{"dom", "lun", "mar", "mié", "jue", "vie", "sáb"}
	spanishMonths = [...]string{"ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sep", "oct", "nov", "dic"}
)

// day words the day of a local time, "Tue 24 Nov 2026".
func (l Language) day(t time.Time) string {
	if l == Spanish {
		return fmt.Sprintf("%s %d %s %d", spanishDays[t.Weekday()], t.Day(), spanishMonths[t.Month()-1], t.Year())
	}
	return t.Format("Mon 2 Jan 2006")
}

// clock words a time on the wall of a zone, with the day when it is not that of
// now.
func (l Language) clock(t, now time.Time, zone *time.Location) string {
	t, now = t.In(zone), now.In(zone)
	if l.day(t) == l.day(now) {
		return t.Format("15:04")
	}
	return l.day(t) + " " + t.Format("15:04")
}
