package modem

import (
	"fmt"
	"strconv"
	"strings"
)

// refusal is a final result other than OK.
type refusal struct {
	command string
	// kind is "ERROR", "+CMS ERROR" or "+CME ERROR", code -1 without a number.
	kind string
	code int
}

func (r *refusal) Error() string {
	if r.code < 0 {
		return fmt.Sprintf("modem refused %s: %s", r.command, r.kind)
	}
	words := cmsWords
	if r.kind == cme {
		words = cmeWords
	}
	said := words[r.code]
	if said == "" {
		said = "no words known for this number"
	}
	return fmt.Sprintf("modem refused %s: %s %d, %s", r.command, r.kind, r.code, said)
}

func (r *refusal) is(kind string, codes ...int) bool {
	if r.kind != kind {
		return false
	}
	for _, c := range codes {
		if r.code == c {
			return true
		}
	}
	return false
}

const (
	cms = "+CMS ERROR"
	cme = "+CME ERROR"
)

// final gives the refusal that a line is, nil when it is none.
func final(command, line string) *refusal {
	if line == "ERROR" {
		return &refusal{command, line, -1}
	}
	for _, kind := range []string{cms, cme} {
		if rest, ok := strings.CutPrefix(line, kind+":"); ok {
			n, err := strconv.Atoi(strings.TrimSpace(rest))
			if err != nil || n < 0 {
				n = -1 // with AT+CMEE=2 there are words
			}
			return &refusal{command, kind, n}
		}
	}
	return nil
}

// Message service failures: below 128 from 3GPP TS 24.011 annex E-2, from 128
// TS 23.040 clause 9.2.3.22, from 300 TS 27.005 clause 3.2.5. From memory.
var cmsWords = map[int]string{
	1:   "there is no such number",
	8:   "the operator bars this SIM from sending",
	10:  "sending is barred",
	21:  "the network rejected the message",
	27:  "the other telephone is out of service",
	28:  "the network does not know the number",
	29:  "the network rejected the service",
	30:  "the network does not know this SIM",
	38:  "the network is out of order",
	41:  "temporary failure of the network",
	42:  "the network is overloaded",
	47:  "the network has no room",
	50:  "text messages are not part of the contract",
	69:  "the network has no text messages",
	111: "the network found an error in the message",
	300: "the modem failed",
	301: "text messages are reserved by another program",
	302: "not allowed now",
	303: "the modem cannot do it",
	304: "the modem found an error in the PDU",
	305: "the modem found an error in the text",
	310: "no SIM in the modem",
	311: "the SIM wants a PIN",
	312: "the SIM is bound to another device",
	313: "the SIM failed",
	314: "the SIM is busy",
	315: "a wrong SIM",
	316: "the SIM wants its PUK",
	317: "the SIM wants PIN2",
	318: "the SIM wants PUK2",
	320: "the memory for texts failed",
	321: "no such place in the memory for texts",
	322: "the memory for texts is full",
	330: "the number of the message centre is not known",
	331: "no network",
	332: "the network did not answer",
	340: "nothing to acknowledge",
	500: "unknown error",
}

// Equipment failures, 3GPP TS 27.007 clause 9.2. From memory.
var cmeWords = map[int]string{
	0:   "the modem failed",
	1:   "no connection inside the modem",
	3:   "not allowed now",
	4:   "the modem cannot do it",
	5:   "the SIM is bound to another device",
	10:  "no SIM in the modem",
	11:  "the SIM wants a PIN",
	12:  "the SIM wants its PUK",
	13:  "the SIM failed",
	14:  "the SIM is busy",
	15:  "a wrong SIM",
	16:  "wrong PIN",
	17:  "the SIM wants PIN2",
	18:  "the SIM wants PUK2",
	20:  "the memory is full",
	21:  "no such place in the memory",
	22:  "not found",
	23:  "the memory failed",
	30:  "no network",
	31:  "the network did not answer",
	32:  "emergency calls only",
	100: "unknown error",
}
