package gsm

import "testing"

// Senders cut where they like, between the halves of a character too.
func TestJoin(t *testing.T) {
	plain := func(text string) Content {
		data, err := Encode(text)
		if err != nil {
			t.Fatal(err)
		}
		return Content{Text: text, Data: data}
	}
	ucs := func(data ...byte) Content { return Content{Text: UCS2.decode(data), Coding: UCS2, Data: data} }
	for name, tt := range map[string]struct {
		parts []Content
		want  string
	}{
		"none":        {nil, ""},
		"one":         {[]Content{plain("4711")}, "4711"},
		"three":       {[]Content{plain("a"), plain("b"), plain("c")}, "abc"},
		"pair cut":    {[]Content{ucs(0, 'a', 0xd8, 0x3d), ucs(0xdc, 0x1f)}, "a\U0001F41F"},
		"escape cut":  {[]Content{{Text: "a ", Data: []byte{'a', escape}}, plain("eb")}, "a€b"},
		"two codings": {[]Content{ucs(0, 'a', 4, 0x16), plain("b")}, "aЖb"},
	} {
		t.Run(name, func(t *testing.T) {
			if got := Join(tt.parts); got != tt.want {
				t.Errorf("Join = %q, want %q", got, tt.want)
			}
		})
	}
}
