package modem

import (
	"errors"
	"hash/fnv"
	"strconv"
	"time"

	"weirkeeper/notify/sms/gsm"
	"weirkeeper/rules/callout"
)

// pdu is one part of a text as AT+CMGS takes it.
type pdu struct {
	to     string
	length int // octets without the message centre
	hex    string
}

// textLives is how long the network tries: a text says how it is now, and one that
// comes hours later would be read as if it were so then. Repeats say it anew
// (common practice, no source).
const textLives = time.Hour

// encode makes the parts of a text. The network gives up when the message
// expires, and after textLives.
func (m *Modem) encode(msg callout.Message) ([]pdu, error) {
	s := gsm.Submit{To: msg.Address, Text: msg.Short, Report: true}
	if left := msg.ExpiresAt.Sub(m.opt.Now()); !msg.ExpiresAt.IsZero() && left > 0 {
		s.Validity = min(left, textLives)
	}
	// Parts of two copies are not to be put together.
	h := fnv.New32a()
	_, _ = h.Write([]byte(msg.ID + "/" + strconv.Itoa(msg.Attempts)))
	s.Ref = uint16(h.Sum32() & 0xff)
	parts, err := s.PDUs()
	if err != nil {
		return nil, err
	}
	var list []pdu
	for _, p := range parts {
		list = append(list, pdu{msg.Address, p.TPDULen, p.Hex})
	}
	return list, nil
}

// incoming is a text, a part of one, or a report.
type incoming struct {
	from, name string
	at         time.Time
	content    gsm.Content // of Part.Total 0 or 1 when it is whole
	// A report tells of the message with the reference ref to from.
	report            bool
	ref               int
	delivered, trying bool
	words             string
}

func decode(hex string) (incoming, error) {
	v, err := gsm.Parse(hex)
	if err != nil {
		return incoming{}, err
	}
	switch p := v.(type) {
	case gsm.Deliver:
		return incoming{
			from: p.From, name: p.Name, at: p.Time, content: p.Content,
		}, nil
	case gsm.StatusReport:
		o := p.Status.Outcome()
		return incoming{
			report: true, from: p.To, ref: int(p.MR), words: p.Status.String(),
			delivered: o == gsm.Delivered, trying: o == gsm.Trying,
		}, nil
	}
	return incoming{}, errors.New("a message that did not come from the network")
}
