package gsm

import (
	"encoding/hex"
	"fmt"
	"strings"
	"time"
)

// A PDU is what a modem takes after AT+CMGS (TS 27.005 clause 3.5.1) and gives
// after +CMT, +CDS, +CMGR and +CMGL.
type PDU struct {
	// TPDULen is the number for AT+CMGS: octets without the service centre in
	// front.
	TPDULen int
	// Hex is service centre and TPDU in hexadecimal, capitals.
	Hex string
}

// Submit is a text to be sent (SMS-SUBMIT, TS 23.040 clause 9.2.2.2).
type Submit struct {
	// Centre is the service centre; "" is the one that the modem knows.
	Centre string
	// To is "+" and digits, or digits of the network itself; at most 20.
	To string
	// Text goes through Plain.
	Text string
	// Report asks for an SMS-STATUS-REPORT.
	Report bool
	// Validity is for how long the network tries, rounded up to 5 minutes or
	// more; 0 leaves it to the network.
	Validity time.Duration
	// Kept asks for class 1: kept in the telephone rather than on its SIM.
	Kept bool
	// MR is the message reference of the first part, one more for each further.
	// Modems put their own in its place and tell it in +CMGS.
	MR byte
	// Ref tells the receiver which parts are of one text. From 256 on it takes
	// the element with 16 bits, which costs a character in each part.
	Ref uint16
}

// maxParts is what the number of parts can count to.
const maxParts = 255

// PDUs gives the parts of the text, one if it has up to 160 septets, otherwise
// of 153 each. Its errors are about To and Centre, or a text of more than 255
// parts.
func (s Submit) PDUs() ([]PDU, error) {
	septets, err := Encode(Plain(s.Text))
	if err != nil {
		return nil, err
	}
	parts := split(septets, s.Ref > 0xff)
	if len(parts) > maxParts {
		return nil, fmt.Errorf("a text of %d parts is too long: %d are possible", len(parts), maxParts)
	}
	class := NoClass
	if s.Kept {
		class = Class1
	}
	var pdus []PDU
	for i, part := range parts {
		sent := Sent{
			Centre: s.Centre, MR: s.MR + byte(i), To: s.To, Report: s.Report, Validity: s.Validity,
			Content: Content{Class: class, Data: part},
		}
		if len(parts) > 1 {
			sent.Part = Part{Ref: s.Ref, Wide: s.Ref > 0xff, Seq: i + 1, Total: len(parts)}
		}
		pdu, err := sent.PDU()
		if err != nil {
			return nil, err
		}
		pdus = append(pdus, pdu)
	}
	return pdus, nil
}

// split cuts septets into parts that leave room for the user data header when
// there is more than one, never between an escape and its septet.
func split(septets []byte, wide bool) [][]byte {
	if len(septets) <= maxSeptets {
		return [][]byte{septets}
	}
	room := maxSeptets - 7 // six octets of header and a bit
	if wide {
		room-- // seven octets are eight septets
	}
	var parts [][]byte
	for len(septets) > room {
		n := room
		if septets[n-1] == escape { // no escape follows an escape in what Encode gives
			n--
		}
		parts, septets = append(parts, septets[:n]), septets[n:]
	}
	return append(parts, septets)
}

// number says whose number err is about, and not the number.
func number(what string, err error) error {
	return fmt.Errorf("%s: %w", what, err)
}

// PDU gives the octets of one part, of Data or, where that is nil, of Text.
func (s Sent) PDU() (PDU, error) {
	to, digits, err := writeAddress(s.To)
	if err != nil {
		return PDU{}, number("receiver", err)
	}
	first := byte(mtiSubmit)
	if s.Report {
		first |= 0x20
	}
	if s.Validity > 0 {
		first |= vpRelative << 3
	}
	if s.Part.Total > 0 {
		first |= udhi
	}
	tpdu := append([]byte{first, s.MR, byte(digits)}, to...)
	tpdu = append(tpdu, 0, s.scheme().octet()) // protocol identifier 0: plain text
	if s.Validity > 0 {
		tpdu = append(tpdu, validity(s.Validity))
	}
	if tpdu, err = s.appendTo(tpdu); err != nil {
		return PDU{}, err
	}
	return withCentre(s.Centre, tpdu)
}

// PDU gives the octets of one part as the network would deliver it, of Data or,
// where that is nil, of Text. It serves tests and the simulated modem.
func (d Deliver) PDU() (PDU, error) {
	var from []byte
	var digits int
	var err error
	if d.Name != "" {
		var name []byte
		if name, err = Encode(d.Name); err == nil && len(name) > maxDigits*4/7 {
			err = fmt.Errorf("a name has up to %d septets, this one %d", maxDigits*4/7, len(name))
		}
		from, digits = append([]byte{0x80 | tonAlphanumeric<<4}, Pack(name, 0)...), (7*len(name)+3)/4
	} else {
		from, digits, err = writeAddress(d.From)
	}
	if err != nil {
		return PDU{}, number("sender", err)
	}
	first := byte(mtiDeliver | 0x04) // no more messages wait
	if d.Part.Total > 0 {
		first |= udhi
	}
	tpdu := append([]byte{first, byte(digits)}, from...)
	tpdu = append(tpdu, 0, d.scheme().octet())
	tpdu = append(tpdu, writeTime(d.Time)...)
	if tpdu, err = d.appendTo(tpdu); err != nil {
		return PDU{}, err
	}
	return withCentre(d.Centre, tpdu)
}

// PDU gives the octets of the report as the network would deliver it. It serves
// tests and the simulated modem.
func (r StatusReport) PDU() (PDU, error) {
	to, digits, err := writeAddress(r.To)
	if err != nil {
		return PDU{}, number("receiver", err)
	}
	tpdu := append([]byte{mtiStatusReport | 0x04, r.MR, byte(digits)}, to...)
	tpdu = append(tpdu, writeTime(r.Sent)...)
	tpdu = append(tpdu, writeTime(r.Done)...)
	return withCentre(r.Centre, append(tpdu, byte(r.Status)))
}

func (c Content) scheme() scheme {
	return scheme{coding: c.Coding, class: c.Class, waiting: c.Waiting}
}

// appendTo adds length, header and text (TS 23.040 clauses 9.2.3.16, 9.2.3.24).
func (c Content) appendTo(tpdu []byte) ([]byte, error) {
	var header []byte
	if p := c.Part; p.Total > 0 {
		if p.Total > maxParts || p.Seq < 1 || p.Seq > p.Total {
			return nil, fmt.Errorf("part %d of %d: there are up to %d, counted from 1", p.Seq, p.Total, maxParts)
		}
		if p.Wide {
			header = []byte{6, ieConcat16, 4, byte(p.Ref >> 8), byte(p.Ref), byte(p.Total), byte(p.Seq)}
		} else {
			header = []byte{5, ieConcat8, 3, byte(p.Ref), byte(p.Total), byte(p.Seq)}
		}
	}
	data := c.Data
	if data == nil {
		var err error
		if data, err = c.Coding.encode(c.Text); err != nil {
			return nil, err
		}
	}
	length := len(header) + len(data)
	most := maxOctets
	if c.Coding == Default {
		before, fill := headerSeptets(len(header))
		length, data, most = before+len(data), Pack(data, fill), maxSeptets
	}
	if length > most {
		return nil, fmt.Errorf("a part of %d is too long: %d are possible with its header", length, most)
	}
	return append(append(append(tpdu, byte(length)), header...), data...), nil
}

// headerSeptets is how many septets a header of so many octets takes, and how
// many bits of fill bring the text to a septet boundary.
func headerSeptets(octets int) (septets, fill int) {
	septets = (8*octets + 6) / 7
	return septets, 7*septets - 8*octets
}

// withCentre puts the service centre in front (TS 27.005 clause 3.1 <pdu>, TS
// 24.011 clause 8.2.5.1): its length in octets.
func withCentre(centre string, tpdu []byte) (PDU, error) {
	octets := []byte{0}
	if centre != "" {
		c, _, err := writeAddress(centre)
		if err != nil {
			return PDU{}, number("service centre", err)
		}
		octets = append([]byte{byte(len(c))}, c...)
	}
	return PDU{len(tpdu), strings.ToUpper(hex.EncodeToString(append(octets, tpdu...)))}, nil
}
