package gsm

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"
)

// The message types (TS 23.040 clause 9.2.3.1). Going to the network, 0 is the
// answer to a delivery and 2 a command; a modem shows neither.
const (
	mtiDeliver      = 0
	mtiSubmit       = 1
	mtiStatusReport = 2
	mtiMask         = 3
)

const (
	udhi       = 0x40 // user data header indicator
	vpRelative = 2    // validity period format
	// The elements of a user data header that number parts (TS 23.040 clause
	// 9.2.3.24).
	ieConcat8  = 0x00
	ieConcat16 = 0x08

	maxSeptets = 160
	maxOctets  = 140
	// maxPDU is more octets than any message has: a centre of 12 and a
	// STATUS-REPORT with all there can be in it.
	maxPDU = 256
)

// Content is the text of one part.
type Content struct {
	// Text is Data decoded.
	Text string
	// Coding is how Data is written.
	Coding Coding
	// Data is the text as it came, without the header: septets one to a byte,
	// or octets.
	Data  []byte
	Class Class
	// Waiting is what waits elsewhere when the network says so and no person
	// wrote the message: "voicemail", "fax", "e-mail", "other"; otherwise "".
	Waiting string
	// Part is zero for a text of one part.
	Part Part
}

// Part is which part of a longer text this is (TS 23.040 clauses 9.2.3.24.1 and
// 9.2.3.24.8).
type Part struct {
	// Ref is the same in all parts of one text, and from the same sender other
	// in the next text.
	Ref uint16
	// Wide is that Ref had 16 bits.
	Wide bool
	// Seq counts from 1 to Total, at most 255.
	Seq, Total int
}

// Deliver is a text that came in (SMS-DELIVER, TS 23.040 clause 9.2.2.1).
type Deliver struct {
	// Centre is the service centre that it came by; "" if not told.
	Centre string
	// From is the sender's number, with "+" when it is an international one. It
	// is "" when the sender gave a name: Name may be whatever the sender likes,
	// also another's number, and proves nothing.
	From, Name string
	// Time is when the centre got it, in the sender's zone; zero when that is
	// no date.
	Time time.Time
	Content
	// Index is for who reads it from a modem: where it lies. Parse leaves 0.
	Index int
}

// Sent is a text as it was given to a modem (SMS-SUBMIT), which lists those
// that it stores.
type Sent struct {
	Centre, To string
	MR         byte
	Report     bool
	// Validity is 0 when none was given or when it is no relative one.
	Validity time.Duration
	Content
}

// StatusReport is what became of a text (SMS-STATUS-REPORT, TS 23.040 clause
// 9.2.2.3).
type StatusReport struct {
	Centre string
	// MR is the message reference that +CMGS told, To the receiver's number.
	MR byte
	To string
	// Sent is when the centre got the text, Done when it was delivered, or last
	// tried; zero when that is no date.
	Sent, Done time.Time
	Status     Status
}

// Parse reads what a modem gives in PDU mode, service centre in front: a
// Deliver, a StatusReport or a Sent. Octets after the end are left out of
// account. Its errors name the octet, counted from 0 with the service centre,
// and hold nothing of text or numbers.
func Parse(pdu string) (any, error) {
	pdu = strings.TrimSpace(pdu)
	if len(pdu) > 2*maxPDU {
		return nil, fmt.Errorf("%d hexadecimal digits are more than a text message can have (%d)", len(pdu), 2*maxPDU)
	}
	b, err := hex.DecodeString(pdu)
	if err != nil {
		var bad hex.InvalidByteError
		if errors.As(err, &bad) {
			at := strings.IndexByte(pdu, byte(bad))
			return nil, fmt.Errorf("byte %d: %q is no hexadecimal digit", at/2, pdu[at])
		}
		return nil, fmt.Errorf("byte %d: half of it is missing: %d hexadecimal digits are an odd number", len(pdu)/2, len(pdu))
	}
	r := &reader{b: b}
	centre := r.centre()
	first := r.octet("the first octet of the message")
	if r.err != nil {
		return nil, r.err
	}
	var v any
	switch first & mtiMask {
	case mtiDeliver:
		d := Deliver{Centre: centre}
		d.From, d.Name = r.address("sender")
		r.octet("protocol identifier")
		scheme := r.scheme()
		d.Time = readTime(r.octets(7, "time stamp"))
		d.Content = r.content(scheme, first&udhi != 0)
		v = d
	case mtiSubmit:
		s := Sent{Centre: centre, Report: first&0x20 != 0}
		s.MR = r.octet("message reference")
		s.To, _ = r.address("receiver")
		r.octet("protocol identifier")
		scheme := r.scheme()
		switch first >> 3 & 3 {
		case 0:
		case vpRelative:
			s.Validity = readValidity(r.octet("validity period"))
		default: // enhanced and absolute
			r.octets(7, "validity period")
		}
		s.Content = r.content(scheme, first&udhi != 0)
		v = s
	case mtiStatusReport:
		s := StatusReport{Centre: centre}
		s.MR = r.octet("message reference")
		s.To, _ = r.address("receiver")
		s.Sent = readTime(r.octets(7, "time stamp"))
		s.Done = readTime(r.octets(7, "time of delivery"))
		s.Status = Status(r.octet("status"))
		v = s
	default:
		return nil, fmt.Errorf("byte %d: message type 3 is reserved", r.at-1)
	}
	if r.err != nil {
		return nil, r.err
	}
	return v, nil
}

// A reader reads octets one after the other and keeps the first error; after it
// everything reads as zeros.
type reader struct {
	b   []byte
	at  int
	err error
}

func (r *reader) octets(n int, what string) []byte {
	if r.err == nil && r.at+n > len(r.b) {
		r.err = fmt.Errorf("byte %d: the message ends where %s has %d of its octets still to come", len(r.b), what, r.at+n-len(r.b))
	}
	if r.err != nil {
		return make([]byte, n)
	}
	r.at += n
	return r.b[r.at-n : r.at]
}

func (r *reader) octet(what string) byte { return r.octets(1, what)[0] }

// centre reads the service centre in front.
func (r *reader) centre() string {
	n := int(r.octet("length of the service centre"))
	if r.err == nil && n > 1+maxDigits/2 {
		r.err = fmt.Errorf("byte %d: a service centre of %d octets; it has at most %d", r.at-1, n, 1+maxDigits/2)
	}
	if n == 0 || r.err != nil {
		return ""
	}
	toa := r.octet("type of the service centre's number")
	number, _ := readAddress(toa, r.octets(n-1, "the service centre's number"), 2*(n-1))
	return number
}

// address reads an address with its length in half octets.
func (r *reader) address(whose string) (number, name string) {
	n := int(r.octet("length of the " + whose + "'s number"))
	if r.err == nil && n > maxDigits {
		r.err = fmt.Errorf("byte %d: the %s's number has %d digits; it has at most %d", r.at-1, whose, n, maxDigits)
	}
	if r.err != nil {
		return "", ""
	}
	toa := r.octet("type of the " + whose + "'s number")
	value := r.octets((n+1)/2, "the "+whose+"'s number")
	if r.err != nil {
		return "", ""
	}
	return readAddress(toa, value, n)
}

// scheme reads the data coding scheme.
func (r *reader) scheme() scheme {
	o := r.octet("data coding scheme")
	s := readScheme(o)
	if r.err == nil && s.compressed {
		r.err = fmt.Errorf("byte %d: the text is compressed (data coding scheme %#02x), which is not read here", r.at-1, o)
	}
	return s
}

// content reads the user data with its length (TS 23.040 clauses 9.2.3.16 and
// 9.2.3.24).
func (r *reader) content(s scheme, header bool) Content {
	c := Content{Coding: s.coding, Class: s.class, Waiting: s.waiting}
	length := int(r.octet("length of the text"))
	if r.err != nil {
		return Content{}
	}
	octets, most, unit := length, maxOctets, "octets"
	if s.coding == Default {
		octets, most, unit = (7*length+7)/8, maxSeptets, "septets"
	}
	if length > most {
		r.err = fmt.Errorf("byte %d: a text of %d %s; one message has at most %d", r.at-1, length, unit, most)
		return Content{}
	}
	at := r.at
	data := r.octets(octets, "the text")
	if r.err != nil {
		return Content{}
	}
	skip := 0
	if header && length > 0 {
		if skip = 1 + int(data[0]); skip > len(data) {
			r.err = fmt.Errorf("byte %d: a header of %d octets in a text of %d", at, skip, len(data))
			return Content{}
		}
		c.Part = readHeader(data[1:skip])
	}
	if s.coding == Default {
		before, fill := headerSeptets(skip)
		c.Data = Unpack(data[skip:], length-before, fill)
	} else {
		c.Data = append([]byte(nil), data[skip:]...)
	}
	c.Text = s.coding.decode(c.Data)
	return c
}

// readHeader finds the part number among the elements of a user data header.
// The last one holds; one that makes no sense, and a header whose last element
// is too long or too short, are ignored (TS 23.040 clauses 9.2.3.24 and
// 9.2.3.24.1).
func readHeader(h []byte) (p Part) {
	for len(h) > 0 {
		if len(h) < 2 || len(h) < 2+int(h[1]) {
			return Part{}
		}
		id, data := h[0], h[2:2+int(h[1])]
		h = h[2+len(data):]
		var q Part
		switch {
		case id == ieConcat8 && len(data) == 3:
			q = Part{Ref: uint16(data[0]), Total: int(data[1]), Seq: int(data[2])}
		case id == ieConcat16 && len(data) == 4:
			q = Part{Ref: uint16(data[0])<<8 | uint16(data[1]), Wide: true, Total: int(data[2]), Seq: int(data[3])}
		}
		if q.Seq >= 1 && q.Seq <= q.Total {
			p = q
		}
	}
	return p
}
