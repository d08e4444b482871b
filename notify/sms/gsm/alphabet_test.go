package gsm

import (
	"testing"
	"unicode"

	"github.com/google/go-cmp/cmp"
)

func TestSeptets(t *testing.T) {
	for _, c := range []struct {
		text string
		n    int
		ok   bool
	}{
		{"", 0, true},
		{"Unit 3: oxygen 5.1 mg/L", 23, true},
		{"@£$¥èéùìòÇ\nØø\rÅå", 16, true},
		{"ΔΦΓΛΩΠΨΣΘΞ", 10, true},
		{"^{}\\[~]|€\f", 20, true},
		{"ç", 1, false}, // the capital is in the table, the small letter is not
		{"8 °C", 4, false},
		{"\x1b", 1, false},
		{"\xff", 1, false},
	} {
		if n, ok := Septets(c.text); n != c.n || ok != c.ok {
			t.Errorf("Septets(%q) = %d, %v, want %d, %v", c.text, n, ok, c.n, c.ok)
		}
	}
}

func TestPlain(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"Unit 3: oxygen 5.1 mg/L", "Unit 3: oxygen 5.1 mg/L"},
		{"“Rowan’s” trough – 3 … 4 — now", `"Rowan's" trough - 3 ... 4 - now`},
		{"8.4 °C, −0.5 K, O₂ ≥ 7 mg/L → 5", "8.4 degC, -0.5 K, O2 >= 7 mg/L -> 5"},
		{"20º / 20°", "20deg / 20deg"},
		{"a\u00a0b\u2009c\u3000d\te", "a b c d e"},
		{"soft\u00adhyphen\u200bzero\ufeff\ufe0f", "softhyphenzero"},
		{"çedille ÇA č Š ñ ő ł đ ø Ø ß ẞ æ Œ þ İı", "cedille ÇA c S ñ o l d ø Ø ß SS æ OE th Ii"},
		{"e\u0301 a\u0308 c\u0327 x\u0301", "é ä c x"},
		{"α β γ δ ω ά Ω Α", "A B Γ Δ Ω A Ω A"},
		{"10³ m² 10⁻³ m⁻² 10¹²", "10^3 m2 10^-3 m-2 10^12"},
		{"1½ ½½ 3¼ ½5 10³5", "1 1/2 1/2 1/2 3 1/4 1/2 5 10^3 5"},
		{"35‰", "35 per mille"},
		{"４７１１ ٤٧١١ 4७1१ 𝟜𝟟", "4711 4711 4711 47"},
		{"①② 1①", "1 2 1 1"},
		{"№ 3 ™ ﬁ Ⅳ ㎎", "No 3 TM fi IV mg"},
		{"魚 \U0001F41F \x00\x1b \xff한", "? ? ?? ??"},
	} {
		got := Plain(c.text)
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("Plain(%q) (-want +got):\n%s", c.text, diff)
		}
		if again := Plain(got); again != got {
			t.Errorf("Plain(%q) = %q, not the same again", got, again)
		}
	}
}

// Every character of the first two planes gives some of the alphabet, or nothing when it shows nothing.
// No Latin letter and no digit is lost.
func TestPlainAll(t *testing.T) {
	for r := rune(0); r < 0x20000; r++ {
		got := Plain(string(r))
		if _, ok := Septets(got); !ok {
			t.Fatalf("Plain(%q) = %q, not in the alphabet", r, got)
		}
		if got == "" && !unicode.In(r, unicode.M, unicode.Cf) {
			t.Errorf("Plain(%q) (U+%04X) is lost", r, r)
		}
		if unicode.IsDigit(r) && (len(got) != 1 || !digit(rune(got[0]))) {
			t.Errorf("Plain(%q) (U+%04X) = %q, want a digit", r, r, got)
		}
		// Latin-1, Latin Extended-A and Additional (less its medieval ones) hold all that
		// is written in Europe.
		if (r < 0x180 || 0x1e00 <= r && r < 0x1efa && (r < 0x1e9c || r > 0x1e9f)) && unicode.IsLetter(r) && got == "?" {
			t.Errorf("Plain(%q) (U+%04X) is lost", r, r)
		}
	}
}

// The tables hold each character once, and what Encode writes Decode reads.
func TestAlphabet(t *testing.T) {
	if n := len(codes); n != 127+10 {
		t.Errorf("%d characters, want 137", n)
	}
	for r, code := range codes {
		got, err := Encode(string(r))
		if err != nil || cmp.Diff(code, got) != "" {
			t.Errorf("Encode(%q) = %x, %v, want %x", r, got, err, code)
		}
		if s := Decode(got); s != string(r) {
			t.Errorf("Decode(%x) = %q, want %q", got, s, r)
		}
	}
	if _, err := Encode("ab °"); err == nil || err.Error() != "character '°' (U+00B0) at byte 3 is not in the alphabet of text messages; Plain replaces it" {
		t.Errorf("Encode of what is not in the alphabet: %v", err)
	}
}

// TS 23.038 clause 6.2.1.1: what the extension table lacks is read by the
// default table, a second escape is a space.
func TestDecodeEscapes(t *testing.T) {
	for _, c := range []struct {
		septets []byte
		want    string
	}{
		{[]byte{0x1b, 0x65}, "€"},
		{[]byte{0x1b, 0x41, 0x42}, "AB"},
		{[]byte{0x1b, 0x1b, 0x65}, " e"},
		{[]byte{0x41, 0x1b}, "A "},
		{[]byte{0xc1}, "A"},
	} {
		if got := Decode(c.septets); got != c.want {
			t.Errorf("Decode(%x) = %q, want %q", c.septets, got, c.want)
		}
	}
}
