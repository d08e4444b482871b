package gsm

import (
	"encoding/binary"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Pack puts septets, one to a byte, into octets (TS 23.038 clause 6.1.2.1),
// after fill bits of zero: those that bring the text after a user data header
// to a boundary of septets (TS 23.040 clause 9.2.3.24).
func Pack(septets []byte, fill int) []byte {
	octets := make([]byte, (fill+7*len(septets)+7)/8)
	for i, c := range septets {
		at := fill + 7*i
		v := uint16(c&0x7f) << (at % 8)
		octets[at/8] |= byte(v)
		if v > 0xff {
			octets[at/8+1] |= byte(v >> 8)
		}
	}
	return octets
}

// Unpack gives n septets, one to a byte, out of octets after fill bits; fewer
// when the octets end before.
func Unpack(octets []byte, n, fill int) []byte {
	n = min(n, (8*len(octets)-fill)/7)
	if n <= 0 {
		return nil
	}
	septets := make([]byte, n)
	for i := range septets {
		at := fill + 7*i
		v := uint16(octets[at/8])
		if at/8+1 < len(octets) {
			v |= uint16(octets[at/8+1]) << 8
		}
		septets[i] = byte(v>>(at%8)) & 0x7f
	}
	return septets
}

// decodeUCS2 reads big-endian UCS-2 (TS 23.038 clause 6.2.3), and UTF-16, which
// telephones send in its place. An odd octet at the end is left out.
func decodeUCS2(octets []byte) string {
	units := make([]uint16, len(octets)/2)
	for i := range units {
		units[i] = binary.BigEndian.Uint16(octets[2*i:])
	}
	return string(utf16.Decode(units))
}

// decode8Bit reads octets as UTF-8 where they are that, otherwise as ISO
// 8859-1: TS 23.038 clause 6.2.2 leaves it to the sender.
func decode8Bit(octets []byte) string {
	if utf8.Valid(octets) {
		return string(octets)
	}
	var b strings.Builder
	for _, c := range octets {
		b.WriteRune(rune(c))
	}
	return b.String()
}

// encode is the inverse of decode.
func (c Coding) encode(text string) ([]byte, error) {
	switch c {
	case EightBit:
		return []byte(text), nil
	case UCS2:
		var octets []byte
		for _, unit := range utf16.Encode([]rune(text)) {
			octets = binary.BigEndian.AppendUint16(octets, unit)
		}
		return octets, nil
	case Default:
	}
	return Encode(text)
}

// Coding is how the text of a message is written.
type Coding byte

// The codings (TS 23.038 clause 4).
const (
	// Default is the 7 bit default alphabet.
	Default Coding = iota
	// EightBit is whatever the sender means.
	EightBit
	// UCS2 is big-endian UCS-2 or UTF-16.
	UCS2
)

func (c Coding) decode(data []byte) string {
	switch c {
	case EightBit:
		return decode8Bit(data)
	case UCS2:
		return decodeUCS2(data)
	case Default:
	}
	return Decode(data)
}

// Class is the message class of TS 23.038 clause 4: what the telephone does
// with the message.
type Class byte

// The classes. Class 0 is shown at once and not kept; 1 to 3 are kept in the
// telephone, on its SIM or handed on.
const (
	// NoClass leaves it to the telephone.
	NoClass Class = iota
	Class0
	Class1
	Class2
	Class3
)

// A scheme is a data coding scheme (TS 23.038 clause 4).
type scheme struct {
	coding     Coding
	class      Class
	waiting    string
	compressed bool
}

// readScheme reads any octet. Reserved codings are the default alphabet, as
// clause 4 asks.
func readScheme(o byte) scheme {
	var s scheme
	switch o >> 4 {
	case 0, 1, 2, 3, 4, 5, 6, 7: // 00xx general, 01xx to be deleted after reading
		s.compressed = o&0x20 != 0
		if o&0x10 != 0 {
			s.class = Class0 + Class(o&3)
		}
		switch o >> 2 & 3 {
		case 1:
			s.coding = EightBit
		case 2:
			s.coding = UCS2
		}
	case 0xc, 0xd, 0xe: // message waiting: discard, store, store in UCS-2
		s.waiting = [4]string{"voicemail", "fax", "e-mail", "other"}[o&3]
		if o>>4 == 0xe {
			s.coding = UCS2
		}
	case 0xf:
		s.class = Class0 + Class(o&3)
		if o&4 != 0 {
			s.coding = EightBit
		}
	}
	return s
}

// octet is the inverse of readScheme for what is not compressed.
func (s scheme) octet() byte {
	if s.waiting != "" {
		o := byte(0xd8)
		if s.coding == UCS2 {
			o = 0xe8
		}
		for i, w := range [4]string{"voicemail", "fax", "e-mail", "other"} {
			if w == s.waiting {
				o |= byte(i)
			}
		}
		return o
	}
	o := byte(s.coding) << 2
	if s.class != NoClass {
		o |= 0x10 | byte(s.class-Class0)&3
	}
	return o
}
