package modemtest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"weirkeeper/notify/sms/gsm"
)

// Point is where a Fault can happen.
type Point string

// The points.
const (
	AtCommand Point = "command" // before the answer to any command but the next three
	AtPIN     Point = "PIN"     // before the answer to AT+CPIN=
	AtErase   Point = "erase"   // before the answer to AT+CMGD=
	AtPrompt  Point = "prompt"  // before the prompt for a PDU
	AtPDU     Point = "pdu"     // after the PDU came
	AtReport  Point = "report"  // after the answer to a PDU that asked for a report
)

// Points lists the points.
func Points() []Point { return []Point{AtCommand, AtPIN, AtErase, AtPrompt, AtPDU, AtReport} }

// Fault is what happens at a Point. What makes no sense there is as None.
type Fault string

// The faults.
const (
	None Fault = ""
	// Mute: what was asked is done, and not answered. At the prompt: no prompt,
	// and the command is forgotten.
	Mute Fault = "mute"
	// Deaf: what was asked is neither done nor answered. At the prompt the modem
	// waits for the PDU all the same.
	Deaf Fault = "deaf"
	// Refuse: ERROR, and nothing was done.
	Refuse Fault = "refuse"
	// Silent: the network does not answer; the PDU was taken all the same.
	Silent Fault = "network silent"
	// Late: as it should be, after Options.Late.
	Late Fault = "late"
	// Noise: bytes that mean nothing before the answer.
	Noise Fault = "noise"
	// Interrupt: other lines in the middle of the answer.
	Interrupt Fault = "interrupt"
	// Split: the answer comes in pieces.
	Split Fault = "split"
	// Unended: the last line of the answer has no end until the next answer.
	Unended Fault = "unended"
	// Garble: the first digit in each line of the answer is another one.
	Garble Fault = "garble"
	// Vanish: the port goes away before anything was done, VanishAfter after it,
	// without an answer. It comes back.
	Vanish      Fault = "vanish"
	VanishAfter Fault = "vanish after"
	// NotDelivered, NoReport, ReportLater are for AtReport.
	NotDelivered Fault = "not delivered"
	NoReport     Fault = "no report"
	ReportLater  Fault = "report later"
)

// Faults lists the faults that a point knows, None first.
func Faults(p Point) []Fault {
	common := []Fault{None, Mute, Deaf, Refuse, Late, Noise, Interrupt, Split, Unended, Vanish, VanishAfter}
	switch p {
	case AtPrompt:
		return []Fault{None, Mute, Deaf, Refuse, Late, Noise, Interrupt, Split, Vanish}
	case AtPDU:
		return append(common, Silent)
	case AtReport:
		return []Fault{None, NotDelivered, NoReport, ReportLater}
	case AtCommand, AtPIN, AtErase:
		return append(common, Garble)
	}
	return common
}

// Taken is a part that the modem took for the network.
type Taken struct {
	To, Text string
	MR       byte
	// Seq of Total, 0 for a text of one part.
	Seq, Total int
}

// Options are how a Modem is. Wait and Now are needed.
type Options struct {
	Wait func(context.Context, time.Duration) error
	Now  func() time.Time
	// Draw says what happens next at a point at which Next said nothing. May be
	// nil: None.
	Draw func(Point) Fault
	// Late is how late Late is; 0 means 12 s.
	Late time.Duration
	// Away is how long the port on a pseudo-terminal is gone; 0 means 1 s. In
	// memory the next Dial fails.
	Away time.Duration
	// PIN locks the SIM after each start; "" does not.
	PIN string
	// Places is how many texts the SIM holds; 0 means 10.
	Places int
	// OnErase is told of each text that is deleted, by its PDU. May be nil.
	OnErase func(pdu string)
}

// Modem is the simulated modem.
type Modem struct {
	opt    Options
	ctx    context.Context
	cancel context.CancelFunc
	wg     sync.WaitGroup

	// sem is the lock of all below: a channel, so that waiting for it counts as
	// waiting in a testing/synctest bubble.
	sem      chan struct{}
	conn     io.ReadWriteCloser
	away     bool
	next     map[Point][]Fault
	echo     bool
	cmee     bool
	announce bool // texts, by +CMTI
	reports  bool // directly, by +CDS
	missing  bool
	locked   bool // wants the PIN
	tries    int  // left for the PIN
	stat     int  // of +CREG
	rssi     int
	refusals []int // codes for the next PDUs
	mr       byte
	store    map[int]string // by place, from 1
	seen     map[int]bool
	waiting  []string // PDUs that found no place
	later    []string // reports
	taken    []Taken
	pins     int
	group    byte
	starts   int
}

// New makes a modem with a SIM in the home network. Close ends it.
func New(opt Options) *Modem {
	if opt.Late == 0 {
		opt.Late = 12 * time.Second
	}
	if opt.Away == 0 {
		opt.Away = time.Second
	}
	if opt.Places == 0 {
		opt.Places = 10
	}
	if opt.Draw == nil {
		opt.Draw = func(Point) Fault { return None }
	}
	if opt.OnErase == nil {
		opt.OnErase = func(string) {}
	}
	m := &Modem{
		opt: opt, sem: make(chan struct{}, 1), next: map[Point][]Fault{}, tries: 3, stat: 1, rssi: 20,
		store: map[int]string{}, seen: map[int]bool{},
	}
	m.ctx, m.cancel = context.WithCancel(context.Background())
	m.start()
	return m
}

// start is what switching on does.
func (m *Modem) start() {
	m.echo, m.cmee, m.announce, m.reports = true, false, false, false
	m.locked = m.opt.PIN != ""
	m.later = nil
	m.starts++
}

func (m *Modem) lock()   { m.sem <- struct{}{} }
func (m *Modem) unlock() { <-m.sem }

func (m *Modem) with(f func()) {
	m.lock()
	defer m.unlock()
	f()
}

// Close ends the modem and waits for it.
func (m *Modem) Close() {
	m.cancel()
	m.with(m.hangUp)
	m.wg.Wait()
}

// Next sets what happens at the next times at a point.
func (m *Modem) Next(p Point, f ...Fault) { m.with(func() { m.next[p] = append(m.next[p], f...) }) }

// Register sets the registration, <stat> of +CREG: 0 none, 1 home, 2 searching, 3
// denied, 5 roaming.
func (m *Modem) Register(stat int) { m.with(func() { m.stat = stat }) }

// TakeSIM takes the SIM out, or puts it in again.
func (m *Modem) TakeSIM(out bool) {
	m.with(func() { m.missing, m.locked = out, m.opt.PIN != "" })
}

// RefuseNext makes the network refuse the next PDUs with these +CMS ERROR codes.
func (m *Modem) RefuseNext(codes ...int) {
	m.with(func() { m.refusals = append(m.refusals, codes...) })
}

// Taken gives what was taken for the network, in order.
func (m *Modem) Taken() (list []Taken) {
	m.with(func() { list = slices.Clone(m.taken) })
	return list
}

// Stored counts the texts in the store and those that wait for a place.
func (m *Modem) Stored() (n int) {
	m.with(func() { n = len(m.store) + len(m.waiting) })
	return n
}

// PINs counts how often a PIN was given.
func (m *Modem) PINs() (n int) {
	m.with(func() { n = m.pins })
	return n
}

// Starts counts how often the modem started: at New, resets and vanishings.
func (m *Modem) Starts() (n int) {
	m.with(func() { n = m.starts })
	return n
}

// Receive brings a text from a number, in parts when it is long.
func (m *Modem) Receive(from, text string) error { return m.ReceiveParts(from, text, nil) }

// ReceiveParts is Receive for those parts only that keep says, counted from 1;
// nil keeps all.
func (m *Modem) ReceiveParts(from, text string, keep func(part int) bool) error {
	septets, err := gsm.Encode(text)
	if err != nil {
		return err
	}
	total := 0
	room := len(septets)
	if room > 160 {
		room = 152 // one less than there is: an escape may not be torn from its septet
		total = (len(septets) + room - 1) / room
	}
	m.lock()
	defer m.unlock()
	m.group++
	for i := range max(1, total) {
		data := septets[i*room : min(len(septets), (i+1)*room)]
		d := gsm.Deliver{From: from, Time: m.opt.Now(), Content: gsm.Content{Data: data}}
		if total > 0 {
			d.Part = gsm.Part{Ref: uint16(m.group), Seq: i + 1, Total: total}
		}
		if keep != nil && !keep(i+1) {
			continue
		}
		p, err := d.PDU()
		if err != nil {
			return err
		}
		m.receive(p.Hex)
	}
	return nil
}

// ReceivePDU brings a PDU as it is.
func (m *Modem) ReceivePDU(hex string) { m.with(func() { m.receive(hex) }) }

func (m *Modem) receive(pdu string) {
	for i := 1; i <= m.opt.Places; i++ {
		if m.store[i] != "" {
			continue
		}
		m.store[i] = pdu
		delete(m.seen, i)
		if m.announce && !m.missing && !m.locked {
			m.say(fmt.Sprintf("\r\n+CMTI: \"SM\",%d\r\n", i))
		}
		return
	}
	m.waiting = append(m.waiting, pdu)
}

// Vanish takes the port away, as pulling the cable does. It comes back.
func (m *Modem) Vanish() { m.with(m.vanish) }

func (m *Modem) vanish() {
	m.hangUp()
	m.away = true
	m.start()
}

func (m *Modem) hangUp() {
	if m.conn != nil {
		_ = m.conn.Close() // it is to be gone
		m.conn = nil
	}
}

// say writes to the port, if it is there.
func (m *Modem) say(s string) {
	if m.conn != nil {
		_, _ = io.WriteString(m.conn, s) // nobody listens: as with a real one
	}
}

func (m *Modem) fault(p Point) Fault {
	if q := m.next[p]; len(q) > 0 {
		m.next[p] = q[1:]
		return q[0]
	}
	return m.opt.Draw(p)
}

// longest is how many bytes of a command or PDU are taken.
const longest = 1024

// serve talks over c until it is closed.
func (m *Modem) serve(c io.ReadWriteCloser) {
	// The pump reads whatever comes, since a line has a buffer.
	bytes := make(chan byte, 1<<16)
	pumped := make(chan struct{})
	go func() {
		defer close(pumped)
		defer close(bytes)
		buf := make([]byte, 256)
		for {
			n, err := c.Read(buf)
			for _, b := range buf[:n] {
				select {
				case bytes <- b:
				default: // overrun
				}
			}
			if err != nil {
				return
			}
		}
	}()
	defer func() { <-pumped }()
	defer func() { _ = c.Close() }() // it is to be gone
	var in []byte
	sending := -1 // the length that AT+CMGS gave, -1 for command mode
	for b := range bytes {
		switch {
		case sending >= 0 && b == 0x1a:
			m.on(c, func() { m.pdu(sending, strings.TrimSpace(string(in))) })
			in, sending = in[:0], -1
		case b == 0x1b:
			if sending >= 0 {
				m.on(c, func() { m.say("\r\nOK\r\n") })
			}
			in, sending = in[:0], -1
		case sending < 0 && b == '\r':
			m.on(c, func() { sending = m.command(strings.TrimSpace(string(in))) })
			in = in[:0]
		case len(in) < longest:
			in = append(in, b)
		}
	}
}

// on runs f locked while c is the port.
func (m *Modem) on(c io.ReadWriteCloser, f func()) {
	m.lock()
	defer m.unlock()
	if m.conn == c {
		f()
	}
}

// result is a refusal in the form that AT+CMEE asks for.
func (m *Modem) result(kind string, code int) string {
	if !m.cmee && kind == "CME" {
		return "ERROR"
	}
	return fmt.Sprintf("+%s ERROR: %d", kind, code)
}

// command does what a line says, and gives the length of the PDU that is to come,
// -1 for none.
func (m *Modem) command(line string) int {
	if m.echo {
		m.say(line + "\r")
	}
	if len(line) < 2 || !strings.EqualFold(line[:2], "AT") {
		return -1
	}
	command := strings.ToUpper(line[2:])
	if n, ok := strings.CutPrefix(command, "+CMGS="); ok {
		return m.offer(n)
	}
	at := AtCommand
	switch name, _, _ := strings.Cut(command, "="); {
	case name == "+CPIN" && name != command:
		at = AtPIN
	case name == "+CMGD":
		at = AtErase
	}
	f := m.fault(at)
	switch f {
	case Vanish:
		m.vanish()
		return -1
	case Deaf:
		return -1
	case Refuse:
		m.say("\r\nERROR\r\n")
		return -1
	default:
	}
	lines, final := m.do(command)
	m.answer(f, lines, final)
	if command == "+CFUN=1,1" && final == "OK" {
		m.vanish()
	}
	for _, r := range m.later {
		m.say(r)
	}
	m.later = nil
	return -1
}

// answer says the lines and the final result in the way of a fault.
func (m *Modem) answer(f Fault, lines []string, final string) {
	var b strings.Builder
	for _, l := range lines {
		if i := strings.IndexAny(l, "0123456789"); f == Garble && l[0] == '+' && i > 0 {
			l = l[:i] + string('1'+(l[i]-'0')%9) + l[i+1:]
		}
		b.WriteString("\r\n" + l + "\r\n")
		if f == Interrupt {
			b.WriteString("\r\nRING\r\n\r\n^RSSI:14\r\n\r\n+CMTI: \"SM\",99\r\n")
		}
	}
	end := "\r\n"
	switch f {
	case Mute:
		return
	case VanishAfter:
		m.vanish()
		return
	case Late:
		m.pause(m.opt.Late)
	case Noise:
		m.say("\xff\x00\xfe}x{\x7f")
	case Interrupt:
		b.WriteString("\r\nNO CARRIER\r\n\r\n+CREG: 1\r\n\r\n0123456789\r\n")
	case Unended:
		end = ""
	default:
	}
	s := b.String() + "\r\n" + final + end
	if f != Split {
		m.say(s)
		return
	}
	for i := 0; i < len(s); i += 3 {
		m.say(s[i:min(len(s), i+3)])
		m.pause(10 * time.Millisecond)
	}
}

func (m *Modem) pause(d time.Duration) { _ = m.opt.Wait(m.ctx, d) } // at the end the port is closed

// do does a command and gives its answer.
func (m *Modem) do(command string) (lines []string, final string) {
	switch command {
	case "", "E1":
		m.echo = m.echo || command == "E1"
		return nil, "OK"
	case "E0":
		m.echo = false
		return nil, "OK"
	case "+CMEE=0", "+CMEE=1":
		m.cmee = command == "+CMEE=1"
		return nil, "OK"
	case "+CMEE?":
		n := 0
		if m.cmee {
			n = 1
		}
		return []string{fmt.Sprintf("+CMEE: %d", n)}, "OK"
	case "+CFUN=1,1", "+CMGF=0", "+CSMS=0":
		if command == "+CSMS=0" {
			lines = []string{"+CSMS: 1,1,1"}
		}
		return lines, "OK"
	case "+CSQ":
		return []string{fmt.Sprintf("+CSQ: %d,99", m.rssi)}, "OK"
	}
	if m.missing {
		return nil, m.result("CME", 10)
	}
	if pin, ok := strings.CutPrefix(command, "+CPIN="); ok {
		return nil, m.unlockSIM(strings.Trim(pin, `"`))
	}
	switch {
	case command == "+CPIN?" && m.tries == 0:
		return []string{"+CPIN: SIM PUK"}, "OK"
	case command == "+CPIN?" && m.locked:
		return []string{"+CPIN: SIM PIN"}, "OK"
	case command == "+CPIN?":
		return []string{"+CPIN: READY"}, "OK"
	case m.locked:
		return nil, m.result("CME", 11)
	}
	name, arg, _ := strings.Cut(command, "=")
	n, _ := strconv.Atoi(arg) // 0 is no place
	switch name {
	case "+CREG?":
		return []string{fmt.Sprintf("+CREG: 0,%d", m.stat)}, "OK"
	case "+CEREG?":
		return []string{"+CEREG: 0,0"}, "OK"
	case "+CNMI":
		f := strings.Split(arg, ",")
		if len(f) != 5 || f[1] != "1" || f[3] != "0" && f[3] != "1" {
			return nil, m.result("CMS", 302)
		}
		m.announce, m.reports = true, f[3] == "1"
		return nil, "OK"
	case "+CPMS?":
		s := fmt.Sprintf(`"SM",%d,%d`, len(m.store), m.opt.Places)
		return []string{"+CPMS: " + s + "," + s + "," + s}, "OK"
	case "+CPMS":
		if arg != `"SM"` {
			return nil, m.result("CMS", 302)
		}
		return []string{fmt.Sprintf("+CPMS: %d,%[2]d,%[1]d,%[2]d,%[1]d,%[2]d", len(m.store), m.opt.Places)}, "OK"
	case "+CMGL":
		if arg != "4" {
			return nil, m.result("CMS", 302)
		}
		for i := 1; i <= m.opt.Places; i++ {
			if m.store[i] != "" {
				lines = append(lines, fmt.Sprintf("+CMGL: %d,%d,,%d", i, m.read(i), length(m.store[i])), m.store[i])
			}
		}
		return lines, "OK"
	case "+CMGR":
		if m.store[n] == "" {
			return nil, m.result("CMS", 321)
		}
		return []string{fmt.Sprintf("+CMGR: %d,,%d", m.read(n), length(m.store[n])), m.store[n]}, "OK"
	case "+CMGD":
		if n < 1 || n > m.opt.Places {
			return nil, m.result("CMS", 321)
		}
		if pdu := m.store[n]; pdu != "" {
			delete(m.store, n)
			m.opt.OnErase(pdu)
			if len(m.waiting) > 0 {
				first := m.waiting[0]
				m.waiting = m.waiting[1:]
				m.receive(first)
			}
		}
		return nil, "OK"
	}
	return nil, m.result("CME", 4)
}

// read marks a place as read, and gives <stat> from before.
func (m *Modem) read(place int) int {
	if m.seen[place] {
		return 1
	}
	m.seen[place] = true
	return 0
}

// length is that of the TPDU, without the message centre.
func length(pdu string) int {
	centre, err := strconv.ParseUint(pdu[:min(2, len(pdu))], 16, 8)
	if err != nil {
		return 0
	}
	return len(pdu)/2 - 1 - int(centre)
}

func (m *Modem) unlockSIM(pin string) string {
	m.pins++
	switch {
	case m.tries == 0:
		return m.result("CME", 12)
	case !m.locked:
		return m.result("CME", 3)
	case pin == m.opt.PIN:
		m.locked, m.tries = false, 3
		return "OK"
	}
	m.tries--
	return m.result("CME", 16)
}

// offer asks for the PDU.
func (m *Modem) offer(length string) int {
	n, err := strconv.Atoi(length)
	switch {
	case err != nil || n < 8 || n > 164:
		m.say("\r\n" + m.result("CMS", 304) + "\r\n")
		return -1
	case m.missing:
		m.say("\r\n" + m.result("CMS", 310) + "\r\n")
		return -1
	case m.locked:
		m.say("\r\n" + m.result("CMS", 311) + "\r\n")
		return -1
	}
	switch m.fault(AtPrompt) {
	case Vanish:
		m.vanish()
		return -1
	case Mute:
		return -1
	case Deaf:
		return n
	case Refuse:
		m.say("\r\n" + m.result("CMS", 500) + "\r\n")
		return -1
	case Late:
		m.pause(m.opt.Late)
	case Noise:
		m.say("\xff\x00\x1f\r\n")
	case Interrupt:
		m.say("\r\nRING\r\n\r\nOK\r\n\r\n+CREG: 2\r\n")
	case Split:
		m.say("\r\n>")
		m.pause(10 * time.Millisecond)
		m.say(" ")
		return n
	default:
	}
	m.say("\r\n> ")
	return n
}

// pdu judges what came after the prompt.
func (m *Modem) pdu(tpdu int, hex string) {
	if m.echo {
		m.say(hex)
	}
	f := m.fault(AtPDU)
	switch f {
	case Vanish:
		m.vanish()
		return
	case Deaf:
		return
	case Refuse:
		m.say("\r\n" + m.result("CMS", 41) + "\r\n")
		return
	default:
	}
	sent, err := m.judge(tpdu, hex)
	switch {
	case err != nil:
		m.answer(f, nil, m.result("CMS", 304))
		return
	case m.stat != 1 && m.stat != 5:
		m.answer(f, nil, m.result("CMS", 331))
		return
	case len(m.refusals) > 0:
		code := m.refusals[0]
		m.refusals = m.refusals[1:]
		m.answer(f, nil, m.result("CMS", code))
		return
	}
	m.mr++
	m.taken = append(m.taken, Taken{sent.To, sent.Text, m.mr, sent.Part.Seq, sent.Part.Total})
	if f == Silent {
		m.answer(None, nil, m.result("CMS", 332))
		return
	}
	mr := m.mr
	m.answer(f, []string{fmt.Sprintf("+CMGS: %d", mr)}, "OK")
	if sent.Report && m.reports {
		m.report(sent.To, mr)
	}
}

func (m *Modem) judge(tpdu int, hex string) (gsm.Sent, error) {
	v, err := gsm.Parse(hex)
	if err != nil {
		return gsm.Sent{}, err
	}
	sent, ok := v.(gsm.Sent)
	if !ok || length(hex) != tpdu {
		return gsm.Sent{}, errors.New("not what was announced")
	}
	return sent, nil
}

func (m *Modem) report(to string, mr byte) {
	f := m.fault(AtReport)
	r := gsm.StatusReport{MR: mr, To: to, Sent: m.opt.Now(), Done: m.opt.Now()}
	switch f {
	case NoReport:
		return
	case NotDelivered:
		r.Status = 0x46
	default:
	}
	p, err := r.PDU()
	if err != nil {
		return
	}
	s := fmt.Sprintf("\r\n+CDS: %d\r\n%s\r\n", p.TPDULen, p.Hex)
	if f == ReportLater {
		m.later = append(m.later, s)
		return
	}
	m.say(s)
}
