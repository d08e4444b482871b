package gsm

import (
	"encoding/hex"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

// Whatever comes, Parse neither panics nor gives more than a message can hold,
// and what it reads it can write and read again.
func FuzzParse(f *testing.F) {
	f.Fuzz(func(t *testing.T, pdu string) {
		v, err := Parse(pdu)
		if err != nil {
			if v != nil || err.Error() == "" {
				t.Fatalf("%v with %v", v, err)
			}
			return
		}
		var c Content
		var again PDU
		switch v := v.(type) {
		case Deliver:
			c = v.Content
			if v.From != "" && v.Name != "" {
				t.Fatalf("number %s and name %q", v.From, v.Name)
			}
			if v.From == "" && v.Name == "" {
				v.From = "0" // nobody: not to be written
			}
			again, err = v.PDU()
		case Sent:
			c = v.Content
			if v.To == "" {
				v.To = "0"
			}
			again, err = v.PDU()
		case StatusReport:
			if v.Status.Outcome() > Failed {
				t.Fatal(v.Status)
			}
		default:
			t.Fatalf("%T", v)
		}
		if len(c.Data) > maxSeptets || !utf8.ValidString(c.Text) || utf8.RuneCountInString(c.Text) > maxSeptets {
			t.Fatalf("%d octets, text %q", len(c.Data), c.Text)
		}
		if c.Part.Total > maxParts || c.Part.Seq > c.Part.Total || c.Part.Total > 0 && c.Part.Seq < 1 {
			t.Fatalf("part %+v", c.Part)
		}
		if got := Join([]Content{c}); got != c.Text {
			t.Fatalf("joined: %q, want %q", got, c.Text)
		}
		if err != nil || again.Hex == "" {
			return // signs after a +, a name in more septets than it had, or a report
		}
		w, err := Parse(again.Hex)
		if err != nil {
			t.Fatalf("%s again %s: %v", pdu, again.Hex, err)
		}
		var d Content
		switch w := w.(type) {
		case Deliver:
			d = w.Content
		case Sent:
			d = w.Content
		}
		if diff := cmp.Diff(c, d); diff != "" {
			t.Fatalf("%s again %s (-first +second):\n%s", pdu, again.Hex, diff)
		}
	})
}

// Any text can be sent; Plain gives it a form that arrives as it is, in parts
// that a telephone can join.
func FuzzRoundTrip(f *testing.F) {
	f.Fuzz(func(t *testing.T, text string, ref uint16, fill uint8) {
		plain := Plain(text)
		if again := Plain(plain); again != plain {
			t.Fatalf("Plain(%q) = %q, and again %q", text, plain, again)
		}
		n, ok := Septets(plain)
		septets, err := Encode(plain)
		if !ok || err != nil || len(septets) != n {
			t.Fatalf("%q: %d septets, %v, %v, %d", plain, n, ok, err, len(septets))
		}
		if got := Decode(septets); got != plain {
			t.Fatalf("%q is read as %q", plain, got)
		}
		packed := Pack(septets, int(fill%7))
		if got := Unpack(packed, n, int(fill%7)); Decode(got) != plain {
			t.Fatalf("%q is unpacked as %x", plain, got)
		}
		pdus, err := Submit{To: "+447700900123", Text: text, Ref: ref}.PDUs()
		if err != nil {
			if n <= 255*151 {
				t.Fatal(err)
			}
			return
		}
		if most := n/151 + 1; len(pdus) > most {
			t.Fatalf("%d parts for %d septets", len(pdus), n)
		}
		got := make([]Content, len(pdus))
		for i := range pdus {
			p := pdus[(i+int(fill))%len(pdus)] // in another order
			if raw, err := hex.DecodeString(p.Hex); err != nil || len(raw) != p.TPDULen+1 {
				t.Fatalf("%+v: %v", p, err)
			}
			v, err := Parse(p.Hex)
			if err != nil {
				t.Fatal(err)
			}
			c := v.(Sent).Content
			if c.Part.Total > 0 && c.Part.Total != len(pdus) {
				t.Fatalf("part %+v of %d", c.Part, len(pdus))
			}
			got[max(0, c.Part.Seq-1)] = c
		}
		if s := Join(got); s != plain {
			t.Fatalf("%q arrives as %q", plain, s)
		}
	})
}
