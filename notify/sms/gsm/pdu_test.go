package gsm

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

const (
	kim    = "+447700900123"
	centre = "+447700900000"
)

// What gammu makes of these is in gammu_test.go.
func TestSubmit(t *testing.T) {
	for name, c := range map[string]struct {
		submit Submit
		want   []PDU
	}{
		// The example of Wikipedia, "GSM 03.40" (from memory), its receiver
		// replaced by one that is reserved for drama.
		"how are you": {Submit{To: kim, Text: "How are you?"}, []PDU{
			{24, "0001000C9144770009103200000CC8F71D14969741F977FD07"},
		}},
		"centre, reference, extension": {Submit{Centre: centre, To: kim, Text: "Hello [€]", MR: 7}, []PDU{
			{24, "079144770009000001070C9144770009103200000CC8329BFD066D789BF2C607"},
		}},
		"national number, odd": {Submit{To: "07700900123", Text: "A"}, []PDU{{14, "0001000B817007900021F300000141"}}},
		"short code":           {Submit{To: "*4711#", Text: "A"}, []PDU{{11, "0001000681" + "4A17B1" + "00000141"}}},
		"report, validity, class": {Submit{To: kim, Text: "A", Report: true, Validity: time.Hour, Kept: true}, []PDU{
			{15, "0031000C91447700091032" + "0011" + "0B" + "0141"},
		}},
		"not in the alphabet": {Submit{To: kim, Text: "8 °C"}, []PDU{{19, "0001000C914477000910320000" + "063810B97C1E02"}}},
		"empty":               {Submit{To: kim}, []PDU{{13, "0001000C91447700091032000000"}}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := c.submit.PDUs()
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			for _, p := range got {
				// The service centre is a length and so many octets.
				n := int(mustHex(t, p.Hex)[0])
				if len(p.Hex)/2 != p.TPDULen+1+n {
					t.Errorf("TPDULen %d of %s", p.TPDULen, p.Hex)
				}
			}
		})
	}
}

func mustHex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// 160 septets in one part, otherwise 153 in each, 152 with a reference of 16
// bits; no part ends in the middle of an extension character.
func TestSplit(t *testing.T) {
	x := strings.Repeat
	for _, c := range []struct {
		name string
		text string
		ref  uint16
		want []int // septets of the parts
	}{
		{"160", x("x", 160), 1, []int{160}},
		{"161", x("x", 161), 1, []int{153, 8}},
		{"306", x("x", 306), 1, []int{153, 153}},
		{"307", x("x", 307), 1, []int{153, 153, 1}},
		{"304 wide", x("x", 304), 256, []int{152, 152}},
		{"305 wide", x("x", 305), 65535, []int{152, 152, 1}},
		{"80 extended", x("€", 80), 1, []int{160}},
		{"escape at the cut", x("€", 81), 1, []int{152, 10}},
		{"escape after the cut", "x" + x("€", 80), 1, []int{153, 8}},
		{"escape at the cut, wide", "x" + x("€", 80), 256, []int{151, 10}},
	} {
		t.Run(c.name, func(t *testing.T) {
			pdus, err := Submit{To: kim, Text: c.text, MR: 255, Ref: c.ref}.PDUs()
			if err != nil {
				t.Fatal(err)
			}
			var got []int
			text := ""
			for i, p := range pdus {
				v, err := Parse(p.Hex)
				if err != nil {
					t.Fatal(err)
				}
				s := v.(Sent)
				got, text = append(got, len(s.Data)), text+s.Text
				part := Part{c.ref, c.ref > 255, i + 1, len(c.want)}
				if len(c.want) == 1 {
					part = Part{}
				}
				if s.Part != part || s.MR != byte(255+i) {
					t.Errorf("part %+v with message reference %d", s.Part, s.MR)
				}
			}
			if diff := cmp.Diff(c.want, got); diff != "" || text != c.text {
				t.Errorf("%q (-want +got):\n%s", text, diff)
			}
		})
	}
}

func TestEncodeErrors(t *testing.T) {
	long := strings.Repeat("x", 153)
	for _, c := range []struct {
		encode func() (any, error)
		want   string
	}{
		{func() (any, error) { return Submit{}.PDUs() }, "receiver: a number has 1 to 20 digits, this one 0"},
		{func() (any, error) { return Submit{To: "+"}.PDUs() }, "receiver: a number has 1 to 20 digits, this one 0"},
		{func() (any, error) { return Submit{To: "+" + strings.Repeat("4", 21)}.PDUs() }, "receiver: a number has 1 to 20 digits, this one 21"},
		{func() (any, error) { return Submit{To: "+44 7700 900123"}.PDUs() }, "receiver: character ' ' in a number: write it as + and digits, without blanks"},
		{func() (any, error) { return Submit{To: "+44#"}.PDUs() }, "receiver: character '#' in a number: write it as + and digits, without blanks"},
		{func() (any, error) { return Submit{To: "kim"}.PDUs() }, "receiver: character 'k' in a number: write it as + and digits, without blanks"},
		{func() (any, error) { return Submit{To: kim, Centre: "x"}.PDUs() }, "service centre: character 'x' in a number: write it as + and digits, without blanks"},
		{func() (any, error) { return Submit{To: kim, Text: strings.Repeat("x", 153*255+1)}.PDUs() }, "a text of 256 parts is too long: 255 are possible"},
		{func() (any, error) { return Deliver{Name: "twelve chars"}.PDU() }, "sender: a name has up to 11 septets, this one 12"},
		{func() (any, error) { return Deliver{Name: "°"}.PDU() }, "sender: character '°' (U+00B0) at byte 0 is not in the alphabet of text messages; Plain replaces it"},
		{func() (any, error) { return Deliver{From: kim, Content: Content{Text: "°"}}.PDU() }, "character '°' (U+00B0) at byte 0 is not in the alphabet of text messages; Plain replaces it"},
		{func() (any, error) { return Deliver{From: kim, Content: Content{Text: long + "12345678"}}.PDU() }, "a part of 161 is too long: 160 are possible with its header"},
		{func() (any, error) {
			return Deliver{From: kim, Content: Content{Text: long + "x", Part: Part{1, false, 1, 2}}}.PDU()
		}, "a part of 161 is too long: 160 are possible with its header"},
		{func() (any, error) { return Deliver{From: kim, Content: Content{Text: long, Coding: EightBit}}.PDU() }, "a part of 153 is too long: 140 are possible with its header"},
		{func() (any, error) { return Deliver{From: kim, Content: Content{Part: Part{1, false, 3, 2}}}.PDU() }, "part 3 of 2: there are up to 255, counted from 1"},
		{func() (any, error) { return StatusReport{}.PDU() }, "receiver: a number has 1 to 20 digits, this one 0"},
	} {
		if _, err := c.encode(); err == nil || err.Error() != c.want {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
}

func TestParse(t *testing.T) {
	zone := func(quarters int) *time.Location { return time.FixedZone("", quarters*900) }
	septets := func(s string) []byte {
		b, err := Encode(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	plain := func(s string) Content { return Content{Text: s, Data: septets(s)} }
	jan := time.Date(2026, 1, 10, 2, 5, 9, 0, zone(0))
	const (
		head  = "07914477000900000" + "40C91447700091032" // Deliver from kim by centre
		stamp = "62100120509000"
	)
	for name, c := range map[string]struct {
		pdu  string
		want any
	}{
		// The example of "SMS and the PDU format", dreamfabric.com (from memory):
		// 29 March 1999, 15:16:59 at two hours east; numbers replaced by
		// reserved ones.
		"hellohello": {
			"0791447700090000040BC87007900021F3000099309251619580" + "0AE8329BFD4697D9EC37",
			Deliver{Centre: centre, From: "07700900123", Time: time.Date(1999, 3, 29, 15, 16, 59, 0, zone(8)), Content: plain("hellohello")},
		},
		"small letters, blanks around": {" " + strings.ToLower(head+"0000"+stamp+"0141") + "\r\n", Deliver{Centre: centre, From: kim, Time: jan, Content: plain("A")}},
		"no centre":                    {"00" + head[16:] + "0000" + stamp + "0141", Deliver{From: kim, Time: jan, Content: plain("A")}},
		"centre by its type alone":     {"0191" + head[16:] + "0000" + stamp + "0141", Deliver{From: kim, Time: jan, Content: plain("A")}},
		"west of Greenwich, -3:30":     {head + "0000" + "62100120509049" + "0141", Deliver{Centre: centre, From: kim, Time: jan.Add(3*time.Hour + 30*time.Minute).In(zone(-14)), Content: plain("A")}},
		"no date":                      {head + "0000" + "62310120509000" + "0141", Deliver{Centre: centre, From: kim, Content: plain("A")}},
		"31 February":                  {head + "0000" + "62201320509000" + "0141", Deliver{Centre: centre, From: kim, Content: plain("A")}},
		"date of no digits":            {head + "0000" + "FFFFFFFFFFFFFF" + "0141", Deliver{Centre: centre, From: kim, Content: plain("A")}},
		"nothing said":                 {head + "0000" + stamp + "00", Deliver{Centre: centre, From: kim, Time: jan}},
		"more octets than needed":      {head + "0000" + stamp + "0141" + "FFFF", Deliver{Centre: centre, From: kim, Time: jan, Content: plain("A")}},
		"from a name that is a number": {
			"0004" + "14D0" + "2B1AED7683C17230580C" + "0000" + stamp + "0141",
			Deliver{Name: "+4477009001", Time: jan, Content: plain("A")},
		},
		"from nobody":             {"0004" + "0091" + "0000" + stamp + "0141", Deliver{Time: jan, Content: plain("A")}},
		"from a number cut short": {"0004" + "0491" + "44FF" + "0000" + stamp + "0141", Deliver{From: "+44", Time: jan, Content: plain("A")}},
		"from signs":              {"0004" + "0581" + "BADCFE" + "0000" + stamp + "0141", Deliver{From: "*#abc", Time: jan, Content: plain("A")}},
		"class 0":                 {head + "00F0" + stamp + "0141", Deliver{Centre: centre, From: kim, Time: jan, Content: Content{Text: "A", Data: septets("A"), Class: Class0}}},
		"voicemail waits":         {head + "00C8" + stamp + "00", Deliver{Centre: centre, From: kim, Time: jan, Content: Content{Waiting: "voicemail"}}},
		"UCS-2":                   {head + "0008" + stamp + "06" + "0041D83DDC1F", Deliver{Centre: centre, From: kim, Time: jan, Content: Content{Text: "A\U0001F41F", Coding: UCS2, Data: mustHex(t, "0041d83ddc1f")}}},
		"8 bit":                   {head + "0004" + stamp + "02" + "38B0", Deliver{Centre: centre, From: kim, Time: jan, Content: Content{Text: "8°", Coding: EightBit, Data: mustHex(t, "38b0")}}},
		"part, 8 bit reference": {
			"00" + "44" + head[18:] + "0000" + stamp + "08" + "050003AA0201" + "82",
			Deliver{From: kim, Time: jan, Content: Content{Text: "A", Data: septets("A"), Part: Part{Ref: 0xaa, Seq: 1, Total: 2}}},
		},
		"part, 16 bit reference, UCS-2, elements that nobody knows before and after": {
			"00" + "44" + head[18:] + "0008" + stamp + "10" + "0D" + "7F0199" + "080412340302" + "7002AABB" + "0041",
			Deliver{From: kim, Time: jan, Content: Content{Text: "A", Coding: UCS2, Data: mustHex(t, "0041"), Part: Part{Ref: 0x1234, Wide: true, Seq: 2, Total: 3}}},
		},
		"two part numbers: the last holds":     {"0044" + head[18:] + "0004" + stamp + "0C" + "0A" + "0003010201" + "0003020302" + "41", Deliver{From: kim, Time: jan, Content: Content{Text: "A", Coding: EightBit, Data: []byte("A"), Part: Part{Ref: 2, Seq: 2, Total: 3}}}},
		"part 0 of 2":                          {"0044" + head[18:] + "0004" + stamp + "07" + "05" + "0003010200" + "41", Deliver{From: kim, Time: jan, Content: Content{Text: "A", Coding: EightBit, Data: []byte("A")}}},
		"part 3 of 2":                          {"0044" + head[18:] + "0004" + stamp + "07" + "05" + "0003010203" + "41", Deliver{From: kim, Time: jan, Content: Content{Text: "A", Coding: EightBit, Data: []byte("A")}}},
		"element longer than its header":       {"0044" + head[18:] + "0004" + stamp + "0A" + "08" + "0003010201" + "08FF01" + "41", Deliver{From: kim, Time: jan, Content: Content{Text: "A", Coding: EightBit, Data: []byte("A")}}},
		"part number of a wrong length":        {"0044" + head[18:] + "0004" + stamp + "06" + "04" + "00020102" + "41", Deliver{From: kim, Time: jan, Content: Content{Text: "A", Coding: EightBit, Data: []byte("A")}}},
		"a header and nothing else":            {"0044" + head[18:] + "0000" + stamp + "07" + "050003AA0201" + "00", Deliver{From: kim, Time: jan, Content: Content{Part: Part{Ref: 0xaa, Seq: 1, Total: 2}}}},
		"a header longer than the septets say": {"0044" + head[18:] + "0000" + stamp + "06" + "050003AA0201", Deliver{From: kim, Time: jan, Content: Content{Part: Part{Ref: 0xaa, Seq: 1, Total: 2}}}},
		"a header flag and no text":            {"0044" + head[18:] + "0000" + stamp + "00", Deliver{From: kim, Time: jan}},
		"sent":                                 {"0031070C91447700091032" + "0000" + "0B" + "0141", Sent{To: kim, MR: 7, Report: true, Validity: time.Hour, Content: plain("A")}},
		"sent with an absolute validity":       {"0019070C91447700091032" + "0000" + stamp + "0141", Sent{To: kim, MR: 7, Content: plain("A")}},
		"report": {
			"0791447700090000" + "06" + "2A" + "0C91447700091032" + stamp + "62100120906100" + "00",
			StatusReport{Centre: centre, MR: 42, To: kim, Sent: jan, Done: jan.Add(4*time.Minute + 7*time.Second)},
		},
		"report with more to come": {"00" + "06" + "2A" + "0C91447700091032" + stamp + "FFFFFFFFFFFFFF" + "46" + "07000401" + "41", StatusReport{MR: 42, To: kim, Sent: jan, Status: 0x46}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := Parse(c.pdu)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got, cmp.Comparer(func(a, b time.Time) bool {
				_, x := a.Zone()
				_, y := b.Zone()
				return a.Equal(b) && x == y
			})); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestParseErrors(t *testing.T) {
	const deliver = "040C91447700091032"
	const stamp = "62100120509000"
	for _, c := range []struct{ pdu, want string }{
		{"", "byte 0: the message ends where length of the service centre has 1 of its octets still to come"},
		{"0", "byte 0: half of it is missing: 1 hexadecimal digits are an odd number"},
		{"07914x", "byte 2: 'x' is no hexadecimal digit"},
		{"+CMGL: 1", "byte 0: '+' is no hexadecimal digit"},
		{strings.Repeat("00", 257), "514 hexadecimal digits are more than a text message can have (512)"},
		{"FF91", "byte 0: a service centre of 255 octets; it has at most 11"},
		{"0791447700", "byte 5: the message ends where the service centre's number has 3 of its octets still to come"},
		{"00", "byte 1: the message ends where the first octet of the message has 1 of its octets still to come"},
		{"0003", "byte 1: message type 3 is reserved"},
		{"0004FF91", "byte 2: the sender's number has 255 digits; it has at most 20"},
		{"00040C91447700", "byte 7: the message ends where the sender's number has 3 of its octets still to come"},
		{"00" + deliver + "00", "byte 11: the message ends where data coding scheme has 1 of its octets still to come"},
		{"00" + deliver + "0000" + "621001", "byte 15: the message ends where time stamp has 4 of its octets still to come"},
		{"00" + deliver + "0000" + stamp, "byte 19: the message ends where length of the text has 1 of its octets still to come"},
		{"00" + deliver + "0000" + stamp + "A1", "byte 19: a text of 161 septets; one message has at most 160"},
		{"00" + deliver + "0008" + stamp + "8D", "byte 19: a text of 141 octets; one message has at most 140"},
		{"00" + deliver + "0000" + stamp + "0541", "byte 21: the message ends where the text has 4 of its octets still to come"},
		{"00" + deliver + "0020" + stamp + "0141", "byte 11: the text is compressed (data coding scheme 0x20), which is not read here"},
		{"0044" + deliver[2:] + "0000" + stamp + "0141", "byte 20: a header of 66 octets in a text of 1"},
		{"0044" + deliver[2:] + "0004" + stamp + "0101" + "00", "byte 20: a header of 2 octets in a text of 1"},
		{"0001070C91447700", "byte 8: the message ends where the receiver's number has 3 of its octets still to come"},
		{"0011070C914477000910320000", "byte 13: the message ends where validity period has 1 of its octets still to come"},
		{"0006070C91447700091032" + stamp + stamp, "byte 25: the message ends where status has 1 of its octets still to come"},
	} {
		if v, err := Parse(c.pdu); err == nil || err.Error() != c.want {
			t.Errorf("Parse(%s) = %v, %v, want %s", c.pdu, v, err, c.want)
		}
	}
}

// TS 23.040 clause 9.2.3.15: the top bits say what it comes to; the reserved
// ones count as "service rejected".
func TestStatus(t *testing.T) {
	for _, c := range []struct {
		from, to byte
		outcome  Outcome
		want     string // of from
	}{
		{0x00, 0x02, Delivered, "delivered: the telephone has it"},
		{0x01, 0x01, Delivered, "delivered: handed on, but the network cannot tell whether it arrived"},
		{0x03, 0x0f, Failed, "not delivered: service refused (unknown reason 0x03)"},
		{0x10, 0x1f, Delivered, "delivered: reason 0x10 of that network"},
		{0x20, 0x25, Trying, "not delivered yet: network busy"},
		{0x22, 0x22, Trying, "not delivered yet: the telephone does not answer: switched off or out of reach"},
		{0x26, 0x2f, Failed, "not delivered: service refused (unknown reason 0x26)"},
		{0x30, 0x3f, Trying, "not delivered yet: reason 0x30 of that network"},
		{0x40, 0x49, Failed, "not delivered: fault between networks"},
		{0x46, 0x46, Failed, "not delivered: the time for delivery ran out"},
		{0x4a, 0x4f, Failed, "not delivered: service refused (unknown reason 0x4a)"},
		{0x50, 0x5f, Failed, "not delivered: reason 0x50 of that network"},
		{0x60, 0x65, Failed, "not delivered: network busy"},
		{0x66, 0x6f, Failed, "not delivered: service refused (unknown reason 0x66)"},
		{0x70, 0x7f, Failed, "not delivered: reason 0x70 of that network"},
		{0x80, 0xff, Failed, "not delivered: service refused (unknown reason 0x80)"},
	} {
		if got := Status(c.from).String(); got != c.want {
			t.Errorf("%#02x is %q, want %q", c.from, got, c.want)
		}
		for s := int(c.from); s <= int(c.to); s++ {
			if got := Status(s).Outcome(); got != c.outcome {
				t.Errorf("%#02x is %v, want %v", s, got, c.outcome)
			}
		}
	}
	if got := fmt.Sprint(Outcome(7)); got != "Outcome(7)" {
		t.Error(got)
	}
}

// TS 23.040 clause 9.2.3.12.1: 0 to 143 are (v+1) x 5 minutes, 144 to 167 12
// hours and (v-143) x 30 minutes, 168 to 196 (v-166) days, 197 to 255 (v-192)
// weeks.
func TestValidity(t *testing.T) {
	const day, week = 24 * time.Hour, 7 * 24 * time.Hour
	for _, c := range []struct {
		d    time.Duration
		want byte
		back time.Duration
	}{
		{time.Second, 0, 5 * time.Minute},
		{5 * time.Minute, 0, 5 * time.Minute},
		{5*time.Minute + 1, 1, 10 * time.Minute},
		{time.Hour, 11, time.Hour},
		{12 * time.Hour, 143, 12 * time.Hour},
		{12*time.Hour + 1, 144, 12*time.Hour + 30*time.Minute},
		{day, 167, day},
		{day + 1, 168, 2 * day},
		{30 * day, 196, 30 * day},
		{30*day + 1, 197, 5 * week},
		{63 * week, 255, 63 * week},
		{1<<63 - 1, 255, 63 * week},
	} {
		if got := validity(c.d); got != c.want || readValidity(got) != c.back {
			t.Errorf("%v is %d and again %v, want %d and %v", c.d, got, readValidity(got), c.want, c.back)
		}
	}
	for v := range 256 {
		if got := validity(readValidity(byte(v))); got != byte(v) {
			t.Errorf("%d is %v and again %d", v, readValidity(byte(v)), got)
		}
	}
}
