package config

import (
	"fmt"
	"net"
	"os"
	"time"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/site"
)

// Config is all that the site file says.
type Config struct {
	Site   *site.Site
	Broker Broker
	Web    Web
	// Mail is nil without a mail block: nobody is told by email.
	Mail    *Mail
	CallOut CallOut
	People  []Person
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
}

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
