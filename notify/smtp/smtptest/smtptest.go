// Package smtptest is a mail server that goes wrong on demand, at any phase of
// the protocol (RFC 5321), with TLS and log-in: it stalls, refuses, or breaks the
// connection. It keeps what it took, for tests to hold against what should have
// arrived. It speaks no more of the protocol than that needs; package sink is
// the one that the demo uses.
package smtptest

import (
	"bufio"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"
)

// Phase is a point of the protocol.
type Phase string

// The phases, in their order.
const (
	Connect   Phase = "connect"
	Hello     Phase = "EHLO"
	StartTLS  Phase = "STARTTLS"
	Auth      Phase = "AUTH"
	From      Phase = "MAIL"
	Recipient Phase = "RCPT"
	Data      Phase = "DATA"
	// Text is after the first line of the text.
	Text Phase = "text"
	// Dot is after the end of the text, before the answer to it.
	Dot Phase = "end of text"
)

// Phases lists the phases.
func Phases() []Phase {
	return []Phase{Connect, Hello, StartTLS, Auth, From, Recipient, Data, Text, Dot}
}

// Fault is what goes wrong in a connection. The zero Fault is none.
type Fault struct {
	At Phase
	// Code is what it answers, 4xx or 5xx; 0 gives no answer.
	Code int
	// Stall keeps the connection and says nothing, until the client goes; else,
	// without a code, the connection is broken.
	Stall bool
	// Taken: at Dot, the message is kept all the same.
	Taken bool
}

// Mail is a message taken.
type Mail struct {
	To        string
	MessageID string // with its angle brackets
	Body      string // decoded
}

// Options of a Server. TLS, User, Password and Plan are needed.
type Options struct {
	TLS            *tls.Config
	User, Password string
	// Plan is asked at each connection, from several goroutines at once.
	Plan func() Fault
	// OnFault is told when a client comes to a fault, before it is made. May be
	// nil.
	OnFault func(Fault)
	// Refused is an address that is refused with 550, "" for none.
	Refused string
}

// Server is the mail server.
type Server struct {
	opt      Options
	listener net.Listener
	running  sync.WaitGroup

	mu    sync.Mutex
	conns map[net.Conn]bool
	mails []Mail
	hit   map[Fault]int
}

// Start serves any free port of the loopback address until Close.
func Start(opt Options) (*Server, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // it does not wait
	if err != nil {
		return nil, fmt.Errorf("smtptest: %w", err)
	}
	s := &Server{opt: opt, listener: l, conns: map[net.Conn]bool{}, hit: map[Fault]int{}}
	s.running.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return // closed
			}
			s.mu.Lock()
			s.conns[c] = true
			s.mu.Unlock()
			s.running.Go(func() {
				defer func() {
					_ = c.Close()
					s.mu.Lock()
					delete(s.conns, c)
					s.mu.Unlock()
				}()
				(&session{server: s, conn: c, fault: opt.Plan()}).serve()
			})
		}
	})
	return s, nil
}

// Addr is where it listens, host:port.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Close breaks all connections and waits for their ends.
func (s *Server) Close() {
	_ = s.listener.Close()
	s.mu.Lock()
	for c := range s.conns {
		_ = c.Close()
	}
	s.mu.Unlock()
	s.running.Wait()
}

// Mails gives what was taken, in the order in which it was.
func (s *Server) Mails() []Mail {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Mail(nil), s.mails...)
}

// Hits counts the faults that a client came to.
func (s *Server) Hits() map[Fault]int {
	s.mu.Lock()
	defer s.mu.Unlock()
	hits := make(map[Fault]int, len(s.hit))
	for f, n := range s.hit {
		hits[f] = n
	}
	return hits
}

// session is one connection.
type session struct {
	server *Server
	conn   net.Conn
	r      *bufio.Reader
	fault  Fault
	secure bool
	in     bool // logged in
	to     string
}

var errEnd = errors.New("the connection ends")

func (s *session) say(line string) { _, _ = io.WriteString(s.conn, line+"\r\n") } // the next read tells

// at makes the fault of a phase. It answers errEnd when the connection is to be
// broken, and whether it has answered the client.
func (s *session) at(p Phase) (answered bool, err error) {
	f := s.fault
	if f.At != p {
		return false, nil
	}
	s.server.mu.Lock()
	s.server.hit[f]++
	s.server.mu.Unlock()
	if s.server.opt.OnFault != nil {
		s.server.opt.OnFault(f)
	}
	s.fault = Fault{}
	switch {
	case f.Code != 0:
		s.say(fmt.Sprintf("%d by the test's plan, at %s", f.Code, p))
		if p == Connect || p == Text {
			return true, errEnd
		}
		return true, nil
	case f.Stall:
		_, _ = io.Copy(io.Discard, s.conn)
	}
	return false, errEnd
}

func (s *session) serve() {
	s.r = bufio.NewReader(s.conn)
	if answered, err := s.at(Connect); answered || err != nil {
		return
	}
	s.say("220 mail.alderfork.example")
	for {
		line, err := s.r.ReadString('\n')
		if err != nil {
			return
		}
		if s.command(strings.TrimRight(line, "\r\n")) != nil {
			return
		}
	}
}

var verbs = map[string]Phase{"EHLO": Hello, "HELO": Hello, "STARTTLS": StartTLS, "AUTH": Auth, "MAIL": From, "RCPT": Recipient, "DATA": Data}

func (s *session) command(line string) error {
	verb, rest, _ := strings.Cut(line, " ")
	verb = strings.ToUpper(verb)
	phase := verbs[verb]
	if phase != "" {
		if answered, err := s.at(phase); answered || err != nil {
			return err
		}
	}
	switch {
	case phase == Hello && !s.secure:
		s.say("250-mail.alderfork.example\r\n250 STARTTLS")
	case phase == Hello:
		s.say("250-mail.alderfork.example\r\n250 AUTH PLAIN")
	case phase == StartTLS && !s.secure:
		s.say("220 go on")
		c := tls.Server(s.conn, s.server.opt.TLS)
		s.conn, s.r, s.secure = c, bufio.NewReader(c), true
	case phase == Auth && s.secure:
		_, encoded, _ := strings.Cut(rest, " ")
		b, err := base64.StdEncoding.DecodeString(encoded)
		s.in = err == nil && string(b) == "\x00"+s.server.opt.User+"\x00"+s.server.opt.Password
		if !s.in {
			s.say("535 not these words")
			return nil
		}
		s.say("235 in")
	case phase == From && s.in, verb == "RSET":
		s.to = ""
		s.say("250 yes")
	case phase == Recipient && s.in:
		_, to, _ := strings.Cut(line, "<")
		s.to, _, _ = strings.Cut(to, ">")
		if s.to == s.server.opt.Refused {
			s.to = ""
			s.say("550 nobody here has that name")
			return nil
		}
		s.say("250 yes")
	case phase == Data && s.to != "":
		s.say("354 go on")
		return s.text()
	case verb == "QUIT":
		s.say("221 bye")
		return errEnd
	default:
		s.say("503 not now")
	}
	return nil
}

// text reads a mail to its end and keeps it.
func (s *session) text() error {
	var b strings.Builder
	for first := true; ; first = false {
		line, err := s.r.ReadString('\n')
		if err != nil {
			return err
		}
		if line == ".\r\n" {
			break
		}
		b.WriteString(strings.TrimPrefix(line, "."))
		if first {
			if _, err := s.at(Text); err != nil {
				return err
			}
		}
	}
	got, err := parse(b.String())
	if err != nil {
		s.say("554 no mail: " + err.Error())
		return nil //nolint:nilerr // the client was told
	}
	got.To = s.to
	if s.fault.At != Dot || s.fault.Taken {
		s.server.mu.Lock()
		s.server.mails = append(s.server.mails, got)
		s.server.mu.Unlock()
	}
	if answered, err := s.at(Dot); answered || err != nil {
		return err
	}
	s.say("250 taken")
	return nil
}

func parse(text string) (Mail, error) {
	m, err := mail.ReadMessage(strings.NewReader(text))
	if err != nil {
		return Mail{}, err
	}
	body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	return Mail{MessageID: m.Header.Get("Message-Id"), Body: strings.ReplaceAll(string(body), "\r\n", "\n")}, err
}
