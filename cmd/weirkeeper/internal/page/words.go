package page

import (
	"fmt"

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
