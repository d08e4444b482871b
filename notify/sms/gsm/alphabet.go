package gsm

import (
	"fmt"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// escape is the septet before one of the extension table.
const escape = 0x1b

// basic is the default alphabet in the order of its codes (TS 23.038 clause
// 6.2.1, table 1). The escape at 0x1b is no character of its own; clause
// 6.2.1.1 has a lone one shown as a space.
var basic = [128]rune([]rune("@£$¥èéùìòÇ\nØø\rÅå" +
	"Δ_ΦΓΛΩΠΨΣΘΞ\u001bÆæßÉ" +
	" !\"#¤%&'()*+,-./" +
	"0123456789:;<=>?" +
	"¡ABCDEFGHIJKLMNO" +
	"PQRSTUVWXYZÄÖÑÜ§" +
	"¿abcdefghijklmno" +
	"pqrstuvwxyzäöñüà"))

// extended is the extension table (TS 23.038 clause 6.2.1.1, table 2); each of
// its characters is sent as escape and one septet more.
var extended = map[byte]rune{
	0x0a: '\f', 0x14: '^', 0x28: '{', 0x29: '}', 0x2f: '\\',
	0x3c: '[', 0x3d: '~', 0x3e: ']', 0x40: '|', 0x65: '€',
}

// codes has the septets of every character of both tables.
var codes = func() map[rune][]byte {
	m := make(map[rune][]byte, len(basic)+len(extended))
	for code, r := range basic {
		if code != escape {
			m[r] = []byte{byte(code)}
		}
	}
	for code, r := range extended {
		m[r] = []byte{escape, code}
	}
	return m
}()

// Septets is how many septets s takes in the default alphabet: one for each
// character, two for those of the extension table. One text message holds 160,
// each part of a longer one 153. ok is false when s has a character that is in
// neither table; each of these counts for one.
func Septets(s string) (n int, ok bool) {
	ok = true
	for _, r := range s {
		if c := codes[r]; c != nil {
			n += len(c)
		} else {
			n, ok = n+1, false
		}
	}
	return n, ok
}

// Encode gives the septets of s, one to a byte and not packed. Its error names
// the first character that the default alphabet lacks, and that Plain would
// replace.
func Encode(s string) ([]byte, error) {
	septets := make([]byte, 0, len(s))
	for at, r := range s {
		c := codes[r]
		if c == nil {
			return nil, fmt.Errorf("character %q (U+%04X) at byte %d is not in the alphabet of text messages; Plain replaces it", r, r, at)
		}
		septets = append(septets, c...)
	}
	return septets, nil
}

// Decode reads septets, one to a byte; the top bit of each byte is left out of
// account. After an escape, a septet that the extension table lacks is read by
// the default table, as TS 23.038 clause 6.2.1.1 asks; a second escape, and one
// at the end, is a space.
func Decode(septets []byte) string {
	var b strings.Builder
	b.Grow(len(septets))
	for i := 0; i < len(septets); i++ {
		c := septets[i] & 0x7f
		if c != escape {
			b.WriteRune(basic[c])
			continue
		}
		if i++; i == len(septets) {
			b.WriteByte(' ')
			break
		}
		c = septets[i] & 0x7f
		switch r, ok := extended[c]; {
		case ok:
			b.WriteRune(r)
		case c == escape:
			b.WriteByte(' ')
		default:
			b.WriteRune(basic[c])
		}
	}
	return b.String()
}

// near are replacements that no decomposition gives. Common practice, no
// source, except Greek capitals, which the alphabet itself writes with the
// Latin ones of the same shape.
var near = map[rune]string{
	'`': "'", '´': "'", '‘': "'", '’': "'", '‚': "'", '‛': "'", '′': "'", 'ʹ': "'", 'ʻ': "'", 'ʼ': "'", '‹': "<", '›': ">",
	'“': `"`, '”': `"`, '„': `"`, '‟': `"`, '″': `"`, '«': `"`, '»': `"`,
	'‐': "-", '‑': "-", '‒': "-", '–': "-", '—': "-", '―': "-", '−': "-", '﹣': "-", '⁃': "-", '•': "*", '‣': "*", '∙': "*",
	'·': ".", '×': "x", '÷': "/", '∕': "/", '⁄': "/", '∗': "*", '¦': "|", '‖': "|", '∼': "~",
	'→': "->", '←': "<-", '↔': "<->", '⇒': "=>", '⇐': "<=", '↑': "up", '↓': "down", '↗': "up", '↘': "down",
	'≥': ">=", '⩾': ">=", '≤': "<=", '⩽': "<=", '≠': "!=", '≈': "~", '≅': "~", '≃': "~", '≡': "=", '±': "+/-", '∞': "infinite", '√': "sqrt", '∆': "Δ", '∑': "Σ", '∏': "Π",
	'°': "deg", 'º': "deg", '˚': "deg", '‰': " per mille", '©': "(c)", '®': "(R)", '¢': "ct", '¬': "not ", '\u2028': "\n", '\u2029': "\n", '\u0085': "\n", '\v': "\n",
	'\t': " ", '¯': "-", '¨': `"`, '¸': ",", '✓': "ok", '✔': "ok", '⚠': "!", '☎': "tel.",
	'ð': "d", 'Ð': "D", 'đ': "d", 'Đ': "D", 'þ': "th", 'Þ': "Th", 'œ': "oe", 'Œ': "OE", 'ł': "l", 'Ł': "L", 'ħ': "h", 'Ħ': "H",
	'ŧ': "t", 'Ŧ': "T", 'ı': "i", 'ȷ': "j", 'ŋ': "ng", 'Ŋ': "NG", 'ĸ': "q", 'ẞ': "SS", 'ə': "e", 'Ə': "E", 'ɨ': "i", 'ʉ': "u", 'ƒ': "f",
	'Α': "A", 'Β': "B", 'Ε': "E", 'Ζ': "Z", 'Η': "H", 'Ι': "I", 'Κ': "K", 'Μ': "M", 'Ν': "N", 'Ο': "O", 'Ρ': "P", 'Τ': "T", 'Υ': "Y", 'Χ': "X",
	'µ': "u", 'μ': "u",
}

// Plain replaces what the default alphabet lacks by characters near to it:
// typographic dashes, quotes and blanks, arrows and signs of mathematics,
// letters with accents, indices and other digits. No digit and no Latin letter
// is lost, and no two numbers run together: "1½" becomes "1 1/2" and "10³"
// "10^3". What has nothing near becomes "?"; what has no width is left out.
// Plain(Plain(s)) is Plain(s).
func Plain(s string) string {
	if _, ok := Septets(s); ok {
		return s
	}
	p := plainer{}
	p.Grow(len(s))
	for _, r := range norm.NFC.String(s) {
		p.add(r)
	}
	return p.String()
}

// A plainer writes text in the default alphabet.
type plainer struct {
	strings.Builder
	// last is the character written last.
	last rune
	// from tells what last stands for: itself (0), an index ('^' or '_'), or
	// another character (1).
	from rune
}

// add writes r, or what replaces it, apart from the number before it when the
// two are not of one.
func (p *plainer) add(r rune) {
	to, from := string(r), rune(0)
	if codes[r] == nil {
		to = replace(r)
		switch {
		case to == "":
			return
		case r == '¹' || r == '²' || r == '³' || 0x2070 <= r && r <= 0x207f:
			from = '^'
		case 0x2080 <= r && r <= 0x208e:
			from = '_'
		case !unicode.Is(unicode.Nd, r):
			from = 1
		}
	}
	if digit(p.last) && (from != p.from || from == 1) {
		switch first := rune(to[0]); {
		case from > 1 && (digit(first) || first == '-' || first == '+'):
			p.WriteRune(from)
		case digit(first):
			p.WriteByte(' ')
		}
	}
	p.WriteString(to)
	p.last, p.from = rune(to[len(to)-1]), from
}

func digit(r rune) bool { return '0' <= r && r <= '9' }

// replace gives characters of the default alphabet for one that is not in it,
// "" for one that shows nothing.
func replace(r rune) string {
	if to, ok := near[r]; ok {
		return to
	}
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf, unicode.Variation_Selector):
		return ""
	case unicode.IsSpace(r):
		return " "
	case unicode.Is(unicode.Nd, r):
		return string('0' + decimal(r))
	case unicode.Is(unicode.Greek, r) && unicode.ToUpper(r) != r:
		// Small letters by the capital, as telephones do.
		if up := unicode.ToUpper(r); codes[up] != nil {
			return string(up)
		} else {
			return replace(up)
		}
	}
	var b strings.Builder
	for _, t := range norm.NFKD.String(string(r)) {
		if t == r {
			break
		}
		if codes[t] != nil {
			b.WriteRune(t)
		} else {
			b.WriteString(replace(t))
		}
	}
	if to := b.String(); strings.Trim(to, "?") != "" {
		return to
	}
	return "?"
}

// decimal is the value of a decimal digit of any script. In the tables of
// Unicode they stand in tens, from 0 to 9 (Unicode 15.0 clause 4.6).
func decimal(r rune) rune {
	for _, t := range unicode.Nd.R16 {
		if lo := rune(t.Lo); lo <= r && r <= rune(t.Hi) {
			return (r - lo) % 10
		}
	}
	for _, t := range unicode.Nd.R32 {
		if lo := rune(t.Lo); lo <= r && r <= rune(t.Hi) {
			return (r - lo) % 10
		}
	}
	return 0
}
