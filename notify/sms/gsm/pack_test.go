package gsm

import (
	"encoding/hex"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Sources: "hellohello" is the example of nearly every description of PDU mode
// (first in "SMS and the PDU format", dreamfabric.com), "How are you?" that of
// Wikipedia, "GSM 03.40"; both from memory. The first rows are the packing
// tables of TS 23.038 clause 6.1.2.1.1 worked by hand: septet 1 in the low bits
// of octet 1, the next one's low bit above it.
func TestPack(t *testing.T) {
	for _, c := range []struct {
		text string
		fill int
		want string
	}{
		{"", 0, ""},
		{"A", 0, "41"},
		{"AB", 0, "4121"},
		{"1234567", 0, "31d98c56b3dd00"},
		{"12345678", 0, "31d98c56b3dd70"},
		{"hellohello", 0, "e8329bfd4697d9ec37"},
		{"How are you?", 0, "c8f71d14969741f977fd07"},
		{"€", 0, "9b32"},
		{"x", 1, "f0"},
		{"xx", 6, "001e0f"}, // 0x78<<6 | 0x78<<13
	} {
		septets, err := Encode(c.text)
		if err != nil {
			t.Fatal(err)
		}
		got := Pack(septets, c.fill)
		if hex.EncodeToString(got) != c.want {
			t.Errorf("Pack(%q, %d) = %x, want %s", c.text, c.fill, got, c.want)
		}
		if back := Decode(Unpack(got, len(septets), c.fill)); back != c.text {
			t.Errorf("Unpack(%x, %d, %d) = %q, want %q", got, len(septets), c.fill, back, c.text)
		}
	}
}

func TestUnpackShort(t *testing.T) {
	for _, c := range []struct {
		octets  []byte
		n, fill int
		want    int
	}{
		{nil, 5, 0, 0}, {nil, 5, 6, 0}, {[]byte{1}, 5, 0, 1}, {[]byte{1}, 5, 6, 0}, {[]byte{1, 2}, 5, 1, 2}, {[]byte{1, 2}, -1, 0, 0},
	} {
		if got := Unpack(c.octets, c.n, c.fill); len(got) != c.want {
			t.Errorf("Unpack(%x, %d, %d) gives %d septets, want %d", c.octets, c.n, c.fill, len(got), c.want)
		}
	}
}

func TestCoding(t *testing.T) {
	for _, c := range []struct {
		coding Coding
		data   string
		want   string
	}{
		{UCS2, "00480069", "Hi"},
		{UCS2, "041600b0d83ddc1f", "Ж°\U0001F41F"},
		{UCS2, "d83d0041", "\ufffdA"}, // half a pair
		{UCS2, "004800", "H"},         // half a character
		{EightBit, "4869", "Hi"},
		{EightBit, "38b043", "8°C"}, // ISO 8859-1
		{EightBit, "38c2b043", "8°C"},
		{EightBit, "", ""},
	} {
		data, err := hex.DecodeString(c.data)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.coding.decode(data); got != c.want {
			t.Errorf("%s in coding %d is %q, want %q", c.data, c.coding, got, c.want)
		}
	}
}

// All groups of TS 23.038 clause 4.
func TestScheme(t *testing.T) {
	for _, c := range []struct {
		from, to byte
		want     scheme
	}{
		{0x00, 0x03, scheme{}},
		{0x04, 0x07, scheme{coding: EightBit}},
		{0x08, 0x0b, scheme{coding: UCS2}},
		{0x0c, 0x0f, scheme{}}, // reserved alphabet
		{0x10, 0x10, scheme{class: Class0}},
		{0x11, 0x11, scheme{class: Class1}},
		{0x16, 0x16, scheme{coding: EightBit, class: Class2}},
		{0x1b, 0x1b, scheme{coding: UCS2, class: Class3}},
		{0x20, 0x23, scheme{compressed: true}},
		{0x38, 0x38, scheme{coding: UCS2, class: Class0, compressed: true}},
		{0x40, 0x43, scheme{}}, // to be deleted after reading
		{0x59, 0x59, scheme{coding: UCS2, class: Class1}},
		{0x80, 0xbf, scheme{}}, // reserved
		{0xc0, 0xc0, scheme{waiting: "voicemail"}},
		{0xc9, 0xc9, scheme{waiting: "fax"}},
		{0xd2, 0xd2, scheme{waiting: "e-mail"}},
		{0xdb, 0xdb, scheme{waiting: "other"}},
		{0xe8, 0xe8, scheme{waiting: "voicemail", coding: UCS2}},
		{0xf0, 0xf0, scheme{class: Class0}},
		{0xf5, 0xf5, scheme{coding: EightBit, class: Class1}},
		{0xfa, 0xfa, scheme{class: Class2}}, // bit 3 is reserved
	} {
		for o := int(c.from); o <= int(c.to); o++ {
			if diff := cmp.Diff(c.want, readScheme(byte(o)), cmp.AllowUnexported(scheme{})); diff != "" {
				t.Errorf("%#02x (-want +got):\n%s", o, diff)
			}
		}
	}
	for o := range 256 {
		s := readScheme(byte(o))
		if s.compressed {
			continue
		}
		if diff := cmp.Diff(s, readScheme(s.octet()), cmp.AllowUnexported(scheme{})); diff != "" {
			t.Errorf("%#02x again (-want +got):\n%s", o, diff)
		}
	}
}
