package smtp

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/mail"
	"strings"
	"time"
	"unicode"

	gomail "github.com/wneessen/go-mail"

	"weirkeeper/notify"
	"weirkeeper/rules/callout"
)

// Mode is how the connection is secured.
type Mode string

// The modes, as the site file spells them.
const (
	// StartTLS begins in clear and insists on TLS before anything else.
	StartTLS Mode = "starttls"
	// TLS is TLS from the first byte.
	TLS Mode = "tls"
	// None is no TLS: for a server on this computer.
	None Mode = "none"
)

// Options are how to reach the mail server.
type Options struct {
	Host string
	Port int
	Mode Mode
	// User and Password log in; User "" does not.
	User, Password string
	// From is the sender, "weir@alderfork.example" or with a name before it.
	From string
	// Hello is the name we greet with; "" is the domain of From.
	Hello string
	// Timeout bounds each exchange with the server, in real time; 0 means
	// 30 s.
	Timeout time.Duration
	// RootCAs are who may vouch for the server; nil means the system's.
	RootCAs *x509.CertPool
	// Now dates the mail.
	Now func() time.Time
	// Attach gives what is shown below the text of a call-out, at its first
	// attempt only: whatever kept that one back, a small mail comes through
	// more easily. A mail does not wait for it beyond attachTime nor go under with it.
	// May be nil.
	Attach func(ctx context.Context, m callout.Message) []Attachment
	// Log is told when Attach fails; nil discards it.
	Log *slog.Logger
}

// Mailer is a notify.Deliverer. It may be used from several goroutines.
type Mailer struct {
	opt  Options
	from *mail.Address
	tls  *tls.Config
}

// New checks the options. It connects to nothing.
func New(opt Options) (*Mailer, error) {
	from, err := mail.ParseAddress(opt.From)
	if err != nil {
		return nil, fmt.Errorf("smtp: sender %q: %w; write it like \"weir@alderfork.example\"", opt.From, err)
	}
	from.Name = oneLine(from.Name)
	if opt.Hello == "" {
		opt.Hello = domain(from.Address)
	}
	if opt.Timeout == 0 {
		opt.Timeout = 30 * time.Second
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	switch opt.Mode {
	case StartTLS, TLS, None:
	default:
		return nil, fmt.Errorf("smtp: there is no TLS mode %q; use starttls, tls or none", opt.Mode)
	}
	m := &Mailer{opt: opt, from: from, tls: &tls.Config{ServerName: opt.Host, RootCAs: opt.RootCAs, MinVersion: tls.VersionTLS12}}
	if _, err := m.client((&net.Dialer{}).DialContext); err != nil {
		return nil, fmt.Errorf("smtp: server %s:%d: %w", opt.Host, opt.Port, err)
	}
	return m, nil
}

// client is a new one for each delivery, since it keeps its connection.
func (s *Mailer) client(dial gomail.DialContextFunc) (*gomail.Client, error) {
	opts := []gomail.Option{
		gomail.WithPort(s.opt.Port), gomail.WithHELO(s.opt.Hello), gomail.WithTimeout(s.opt.Timeout),
		gomail.WithTLSConfig(s.tls), gomail.WithDialContextFunc(dial), gomail.WithoutNoop(), gomail.WithoutRset(),
	}
	switch s.opt.Mode {
	case StartTLS:
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSMandatory))
	case TLS:
		opts = append(opts, gomail.WithSSL())
	case None:
		opts = append(opts, gomail.WithTLSPolicy(gomail.NoTLS))
	}
	if s.opt.User != "" {
		auth := []gomail.SMTPAuthType{gomail.SMTPAuthPlain, gomail.SMTPAuthLogin, gomail.SMTPAuthCramMD5}
		if s.opt.Mode == None && !local(s.opt.Host) {
			auth = []gomail.SMTPAuthType{gomail.SMTPAuthCramMD5}
		}
		opts = append(opts, gomail.WithOpportunisticSMTPAuth(auth...), gomail.WithUsername(s.opt.User), gomail.WithPassword(s.opt.Password))
	}
	return gomail.NewClient(s.opt.Host, opts...)
}

// local reports whether a host is this computer, by the names and addresses
// to which PLAIN goes without TLS.
func local(host string) bool { return host == "localhost" || host == "127.0.0.1" || host == "::1" }

// Deliver hands m over and gives the server's answer. Errors are
// *notify.DeliveryError: permanent when the server answered 5xx to this
// message or its recipient; everything before that (connection, TLS, log-in)
// is temporary. The outcome is unknown when the text was under way and no
// answer came. Addresses are masked in the error.
func (s *Mailer) Deliver(ctx context.Context, m callout.Message) (string, error) {
	msg, err := s.compose(ctx, m)
	if err != nil {
		return "", fail(&notify.DeliveryError{Err: err, Permanent: true}, m.Address, s.from.Address)
	}
	// The library waits for the server without an eye on ctx and does not
	// close a connection whose greeting failed: we own the connection.
	var conn net.Conn
	stop := func() bool { return true }
	client, err := s.client(func(dctx context.Context, network, addr string) (net.Conn, error) {
		var err error
		if s.opt.Mode == TLS {
			conn, err = (&tls.Dialer{Config: s.tls}).DialContext(dctx, network, addr)
		} else {
			conn, err = (&net.Dialer{}).DialContext(dctx, network, addr)
		}
		if err == nil {
			stop = context.AfterFunc(ctx, func() { _ = conn.Close() })
		}
		return conn, err
	})
	if err != nil {
		return "", fmt.Errorf("smtp: server %s:%d: %w", s.opt.Host, s.opt.Port, err)
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if conn != nil {
		defer func() { _ = conn.Close() }() // closed already when all went well
		defer stop()
	}
	if err != nil {
		return "", fail(&notify.DeliveryError{Err: fmt.Errorf("smtp: connect to %s:%d: %w; check the mail server, its TLS mode, user and password", s.opt.Host, s.opt.Port, err)}, m.Address, s.from.Address)
	}
	// A mail that claims SMTPUTF8 is refused by servers further on that do not
	// have it (RFC 6531, section 3.6). Ours needs it only for such addresses.
	session.SkipSMTPUTF8(isASCII(s.from.Address) && isASCII(m.Address))
	err = client.SendWithSMTPClient(session, msg)
	if msg.IsDelivered() {
		_ = client.CloseWithSMTPClient(session) // a farewell; the mail is theirs
		return oneLine(msg.ServerResponse()), nil
	}
	return "", fail(classify(err), m.Address, s.from.Address)
}

// classify says what a failure means once the session stands.
func classify(err error) *notify.DeliveryError {
	e := &notify.DeliveryError{Err: fmt.Errorf("smtp: hand over: %w", err), Unknown: true}
	var send *gomail.SendError
	if errors.As(err, &send) {
		code := send.ErrorCode()
		e.Permanent = code >= 500
		underWay := send.Reason == gomail.ErrWriteContent || send.Reason == gomail.ErrSMTPDataClose
		e.Unknown = underWay && code == 0
	}
	return e
}

// masked is an error whose text shows no full address.
type masked struct {
	text string
	err  error
}

func (e *masked) Error() string { return e.text }
func (e *masked) Unwrap() error { return e.err }

func fail(e *notify.DeliveryError, addresses ...string) error {
	text := oneLine(e.Err.Error())
	for _, a := range addresses {
		if at := strings.LastIndexByte(a, '@'); at > 0 {
			text = strings.ReplaceAll(text, a, "…"+a[at:])
		}
	}
	e.Err = &masked{text, e.Err}
	return e
}

// compose writes the mail. Its errors are the address's fault.
func (s *Mailer) compose(ctx context.Context, m callout.Message) (*gomail.Msg, error) {
	msg := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	if err := msg.FromFormat(s.from.Name, s.from.Address); err != nil {
		return nil, fmt.Errorf("smtp: sender: %w", err)
	}
	if err := msg.AddToFormat(oneLine(m.Person), m.Address); err != nil {
		return nil, fmt.Errorf("smtp: address of %q: %w; correct it in the site file", m.Person, err)
	}
	msg.SetMessageIDWithValue(idPart(m.ID) + "@" + domain(s.from.Address))
	msg.SetDateWithValue(s.opt.Now())
	msg.Subject(oneLine(m.Subject))
	msg.SetGenHeader("Auto-Submitted", "auto-generated")
	if m.Reason == callout.First || m.Reason == callout.Repeat {
		msg.SetGenHeader(gomail.HeaderImportance, "high")
		msg.SetGenHeader(gomail.HeaderXPriority, "1")
	}
	msg.SetBodyString(gomail.TypeTextPlain, strings.ReplaceAll(m.Text, "\n", "\r\n"))
	for _, a := range s.attachments(ctx, m) {
		a.addTo(msg)
	}
	return msg, nil
}

func isASCII(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r > unicode.MaxASCII })
}

func domain(address string) string { return address[strings.LastIndexByte(address, '@')+1:] }

// idPart keeps what may stand in a Message-ID (RFC 5322, dot-atom, and less).
func idPart(id string) string {
	return strings.Map(func(c rune) rune {
		if c < unicode.MaxASCII && (unicode.IsLetter(c) || unicode.IsDigit(c) || strings.ContainsRune("-_.", c)) {
			return c
		}
		return '-'
	}, id)
}

// oneLine is s without line breaks and other control characters.
func oneLine(s string) string {
	return strings.TrimSpace(strings.Map(func(c rune) rune {
		if unicode.IsControl(c) {
			return ' '
		}
		return c
	}, s))
}
