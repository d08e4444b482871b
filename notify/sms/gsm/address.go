package gsm

import (
	"fmt"
	"strings"
	"time"
)

// The types of number in an address (TS 23.040 clause 9.1.2.5).
const (
	tonInternational = 1
	tonAlphanumeric  = 5
)

// maxDigits is what an address can hold: ten octets (TS 23.040 clause 9.1.2.3).
const maxDigits = 20

// semi are the digits of an address (TS 23.040 clause 9.1.2.3); 15 fills up.
const semi = "0123456789*#abc"

// writeAddress gives type and digits of a number, "+447700900123" or
// "07700900123", and how many digits there are.
func writeAddress(number string) (octets []byte, digits int, err error) {
	d, international := strings.CutPrefix(number, "+")
	if d == "" || len(d) > maxDigits {
		return nil, 0, fmt.Errorf("a number has 1 to %d digits, this one %d", maxDigits, len(d))
	}
	octets = append(octets, 0x81) // unknown type, telephone numbering plan
	if international {
		octets[0] |= tonInternational << 4
	}
	for i := range len(d) {
		v := strings.IndexByte(semi, d[i])
		if v < 0 || international && v > 9 {
			return nil, 0, fmt.Errorf("character %q in a number: write it as + and digits, without blanks", d[i])
		}
		if i%2 == 0 {
			octets = append(octets, 0xf0|byte(v))
		} else {
			octets[len(octets)-1] = octets[len(octets)-1]&0x0f | byte(v)<<4
		}
	}
	return octets, len(d), nil
}

// readAddress reads the digits after an address's type. One that is
// alphanumeric is a name and no number: anybody can send by any name, so it
// must never be taken for a number.
func readAddress(toa byte, value []byte, digits int) (number, name string) {
	ton := toa >> 4 & 7
	if ton == tonAlphanumeric {
		return "", Decode(Unpack(value, digits*4/7, 0))
	}
	var b strings.Builder
	if ton == tonInternational {
		b.WriteByte('+')
	}
	for i := range digits {
		v := value[i/2] >> (4 * (i % 2)) & 0x0f
		if v == 15 {
			break
		}
		b.WriteByte(semi[v])
	}
	if b.String() == "+" {
		return "", ""
	}
	return b.String(), ""
}

// bcd gives the two swapped digits of o, -1 when they are none.
func bcd(o byte) int {
	tens, ones := int(o&0x0f), int(o>>4)
	if tens > 9 || ones > 9 {
		return -1
	}
	return 10*tens + ones
}

// readTime reads the seven octets of a time stamp (TS 23.040 clause 9.2.3.11),
// in the zone it names. Years from 90 on are of the last century. What is no
// date gives the zero time: a text is worth more than its stamp.
func readTime(o []byte) time.Time {
	var v [6]int
	for i := range v {
		if v[i] = bcd(o[i]); v[i] < 0 {
			return time.Time{}
		}
	}
	quarters := bcd(o[6] &^ 8)
	if quarters < 0 {
		return time.Time{}
	}
	if o[6]&8 != 0 {
		quarters = -quarters
	}
	year := 2000 + v[0]
	if v[0] >= 90 {
		year -= 100
	}
	t := time.Date(year, time.Month(v[1]), v[2], v[3], v[4], v[5], 0, time.FixedZone("", quarters*15*60))
	if int(t.Month()) != v[1] || t.Day() != v[2] || t.Hour() != v[3] || t.Minute() != v[4] || t.Second() != v[5] {
		return time.Time{}
	}
	return t
}

// writeTime gives the seven octets of t in its own zone, to the quarter of an
// hour. The zero time is the zero octets, which are no date.
func writeTime(t time.Time) []byte {
	if t.IsZero() {
		return make([]byte, 7)
	}
	_, offset := t.Zone()
	quarters := offset / (15 * 60)
	t = t.In(time.FixedZone("", quarters*15*60))
	octets := make([]byte, 0, 7)
	for _, v := range []int{t.Year() % 100, int(t.Month()), t.Day(), t.Hour(), t.Minute(), t.Second(), max(quarters, -quarters)} {
		octets = append(octets, byte(v%10<<4|v/10))
	}
	if quarters < 0 {
		octets[6] |= 8
	}
	return octets
}

// validity is the relative period of TS 23.040 clause 9.2.3.12.1, rounded up;
// more than 63 weeks is 63 weeks.
func validity(d time.Duration) byte {
	const day, week = 24 * time.Hour, 7 * 24 * time.Hour
	up := func(unit time.Duration) int { return int((d + unit - 1) / unit) }
	switch {
	case d <= 12*time.Hour:
		return byte(max(up(5*time.Minute), 1) - 1)
	case d <= day:
		return byte(143 + up(30*time.Minute) - 24)
	case d <= 30*day:
		return byte(166 + up(day))
	case d <= 63*week:
		return byte(192 + up(week))
	}
	return 255
}

// readValidity is the inverse of validity.
func readValidity(o byte) time.Duration {
	const day, week = 24 * time.Hour, 7 * 24 * time.Hour
	v := time.Duration(o)
	switch {
	case v <= 143:
		return (v + 1) * 5 * time.Minute
	case v <= 167:
		return 12*time.Hour + (v-143)*30*time.Minute
	case v <= 196:
		return (v - 166) * day
	}
	return (v - 192) * week
}
