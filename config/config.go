package config

import (
	"fmt"
	"net"
	"os"
	"time"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/callout"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/site"
	"weirkeeper/rules/watchlist"
)

// Config is all that the site file says.
type Config struct {
	Site   *site.Site
	Broker Broker
	Web    Web
	// Mail is nil without a mail block: nobody is told by email.
	Mail *Mail
	// SMS is nil without an sms block: nobody is told by text message.
	SMS     *SMS
	Hooks   []Hook
	Horns   []Horn
	CallOut CallOut
	People  []Person
	// Heartbeats are who outside is told that we live.
	Heartbeats []Heartbeat
	// Alive is what other daemons hear of us by; nil says nothing.
	Alive *Alive
	// Peers are other daemons that we watch.
	Peers   []Peer
	Paths   Paths
	History History
	// PasswordFiles are the files that hold passwords and where they are named.
	PasswordFiles []PasswordFile
}

// PasswordFile is a file that the site file names for a password.
type PasswordFile struct {
	Path string
	At   hcl.Range
}

// History is how long readings are kept.
type History struct {
	// Keep is for how long, by the time of the sample, in whole months; 0,
	// the default, is for ever.
	Keep time.Duration
	// DropOldest lets the oldest sealed month go when the disk fills up;
	// default false: then recording stops until there is room.
	DropOldest bool
}

// Broker is the MQTT broker: the embedded one, or an external one at URL.
type Broker struct {
	// Listen is the host:port of the embedded broker; "" with an external one.
	Listen string
	// Anonymous lets anybody publish to the embedded broker. It is only ever
	// true on a loopback address.
	Anonymous bool
	// Users may log in to the embedded broker.
	Users []User
	// URL is the external broker, with its port: mqtt, mqtts, ws or wss; ""
	// with the embedded one.
	URL string
	// ClientID names the daemon's session, which the broker keeps while the
	// daemon is away: two daemons with one name throw each other out.
	ClientID string
	// User and Password log in to the external broker; User may be "".
	User     string
	Password Secret
	TLS      TLS
}

// Embedded reports whether the daemon runs the broker itself.
func (b Broker) Embedded() bool { return b.URL == "" }

// User may log in to the embedded broker.
type User struct {
	Name     string
	Password Secret
}

// Web is the page.
type Web struct {
	Listen string // host:port
	// URL is where people reach the page, for messages; "" when nowhere.
	URL string
	// Anonymous lets people look who have not signed in; default true where only
	// this machine reaches the page, else false.
	Anonymous bool
	// TLS is the page's own certificate; the zero one goes without TLS.
	TLS WebTLS
}

// WebTLS is a certificate and its key, PEM files.
type WebTLS struct{ CertFile, KeyFile string }

// IsZero reports whether there is none.
func (t WebTLS) IsZero() bool { return t == WebTLS{} }

// MailTLS is how the connection to the mail server is kept private.
type MailTLS string

// The ways. StartTLS is mandatory where it is chosen: without it nothing is sent.
const (
	StartTLS MailTLS = "starttls"
	TLSFirst MailTLS = "tls"
	NoTLS    MailTLS = "none"
)

// Mail is the mail server messages are handed to.
type Mail struct {
	Host     string
	Port     int // default 587 with starttls, 465 with tls, 25 with none
	TLS      MailTLS
	User     string // "" sends without login
	Password Secret
	From     string        // an email address
	Timeout  time.Duration // for one message; default 30 s
}

// CallOut is how people are told.
type CallOut struct {
	// People are names of Config.People in order; default all.
	People []string
	// Repeat is after how long an unanswered call-out is told again; default
	// 15 min. It trades sleep against a message overlooked.
	Repeat time.Duration
	// Climb is after how long without an answer the next person is called too;
	// default 10 min where there is a watch, else 0: everybody at once.
	Climb time.Duration
	// Spare is after how long a message that could not be handed over goes by
	// the person's next way; default 2 min.
	Spare time.Duration
	// Watch is who is on call when; nil without a watch block.
	Watch *watchlist.List
	// AllWell sends a message each morning also when nothing waits; default
	// false.
	AllWell bool
	// Drill is nil without a drill block: drills are by hand only.
	Drill *Drill
	// Gather is how long troubles are gathered into one message after a
	// first one; default 2 min, 0 gathers nothing.
	Gather time.Duration
	// Morning is the morning hour, minutes after local midnight; default 07:00.
	Morning int
	// Expire is how long a message may wait to be sent; default 24 h.
	Expire time.Duration
}

// Person is somebody who is told.
type Person struct {
	Name, Email string
	// Mobile is a number in the international form, "+447700900123", "" for
	// none.
	Mobile string
	// Reach is how, in order; default a text message, then email, as far as the
	// person has them. Empty where nobody can reach the person.
	Reach []callout.Reach
}

// Drill is when test call-outs are held.
type Drill struct {
	// Days are the days of the week on which one is held, Sunday 0.
	Days [7]bool
	// Minute is the local hour, minutes after midnight.
	Minute int
	// Every is the number of weeks from one to the next; default 1.
	Every int
	// Within is how long there is to answer; default 60 min.
	Within time.Duration
}

// SMS is how text messages are sent: by a modem at Device, or by a command.
type SMS struct {
	Device string // of the serial port, "/dev/ttyUSB2"; "" with Run
	Baud   int    // bits a second; default 115200
	PIN    Secret // of the SIM; may be zero
	// Run is a command and its arguments, "{to}" in one standing for the
	// number; the text is on its standard input.
	Run     []string
	Timeout time.Duration // for one message; default 60 s
	// PerHour is the most messages in an hour; default 30.
	PerHour int
}

// Hook is an HTTP request that is made for a message.
type Hook struct {
	Name, URL   string
	Method      string // POST or PUT; default POST
	ContentType string // default application/json
	// Body is a template of Go's text/template; default a JSON object of all
	// there is.
	Body    string
	Token   Secret        // goes as "Authorization: Bearer ..."; may be zero
	Timeout time.Duration // default 15 s
}

// Horn is a horn or light that an MQTT topic switches.
type Horn struct {
	Name    string
	Topic   string
	On, Off string // payloads; default "ON" and "OFF"
	// Feedback is the topic on which it says its state, in the same words; ""
	// without supervision.
	Feedback string
	// Within is how long it has to follow; default 10 s.
	Within time.Duration
	// Silent is after how long without a word on Feedback it counts as silent;
	// 0, the default, is never.
	Silent time.Duration
	// After is how long a call-out stands unanswered before it sounds; default 0.
	After time.Duration
	// Longest is how long it sounds without a pause; default 10 min. It sounds
	// again with the next repeat.
	Longest time.Duration
}

// Heartbeat is an outside watcher that is told that we live: by a request to
// URL, or by mail to Email.
type Heartbeat struct {
	Name  string
	URL   string // "" with Email
	Email string
	Every time.Duration // default 1 min for a URL, 24 h for mail
	// Timeout bounds one request; default 10 s.
	Timeout time.Duration
}

// Alive is the topic on which we tell other daemons that we live.
type Alive struct {
	Topic string
	Every time.Duration // default 30 s
}

// Peer is another daemon that we watch by what it says of itself.
type Peer struct {
	Name, Topic string
	// Silent is after how long without a word it counts as dead; default 5 min.
	Silent time.Duration
}

// Paths are where things lie. They include the folder of the site file.
type Paths struct {
	Data  string   // folder; default "weirkeeper-data"
	Rules []string // files; default "rules.hcl"
}

// Options are what Parse needs to know of the world.
type Options struct {
	// Now judges dates; required.
	Now time.Time
	// Local is the zone of a site without one; nil means time.Local.
	Local *time.Location
}

// Load reads the site file and parses it. The error is about reading the file
// only; diagnostics are as for Parse.
func Load(files *hclread.Files, path string, opt Options) (*Config, hcl.Diagnostics, error) {
	src, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, fmt.Errorf("config: read the site file: %w; give its path with the right spelling", err)
	}
	c, diags := Parse(files, path, src, opt)
	return c, diags, nil
}

// loopback reports whether a host is this machine only.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
