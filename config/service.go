package config

import (
	"cmp"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
)

// address reads a plain email address.
func address(b *hclread.Block, attr string) string {
	s, ok := filled(b, attr)
	if !ok {
		return ""
	}
	if a, err := mail.ParseAddress(s); err != nil || a.Address != s {
		b.Fault(b.Rng(attr), "Not an email address", fmt.Sprintf("%s is one address alone: write it like \"kim@alderfork.example\".", attr))
		return ""
	}
	return s
}

// secret reads password { file = ... } or password { env = ... }.
func (p *parser) secret(b *hclread.Block) Secret {
	return p.hidden(b, "password", "broker.password", "WEIRKEEPER_PASSWORD")
}

// hidden reads what must not stand in the site file, such as a password, out of a
// block of that kind; file and env are examples of names.
func (p *parser) hidden(b *hclread.Block, kind, file, env string) Secret {
	remedy := fmt.Sprintf("write %s { file = %q } and put it alone into that file, or %s { env = %q } and set that variable", kind, file, kind, env)
	word := kind
	if kind == "pin" {
		word = "PIN"
	}
	h := b.One(kind)
	if b.Has(kind) {
		p.files.Hide(b.Rng(kind))
		b.Fault(b.Rng(kind), measure.Capital(word)+" in the site file", fmt.Sprintf("The site file is copied and shown, so no %s stands in it: %s.", word, remedy))
		return Secret{}
	}
	if h == nil {
		return Secret{}
	}
	path := p.filePath(h, "file")
	if path != "" {
		p.c.PasswordFiles = append(p.c.PasswordFiles, PasswordFile{Path: path, At: h.Rng("file")})
	}
	name, nameOK := filled(h, "env")
	if !h.Broken() && h.Has("file") == h.Has("env") {
		h.Fault(h.DefRange(), "One place for the "+word, fmt.Sprintf("A %s stands in one place: %s.", word, remedy))
	}
	if nameOK && strings.ContainsFunc(name, func(r rune) bool { return r != '_' && !unicode.IsLetter(r) && !unicode.IsDigit(r) }) {
		h.Fault(h.Rng("env"), "Not a variable", fmt.Sprintf("The name of a variable has letters, digits and _ only. Write the name, not the %s, such as %q.", word, env))
	}
	h.Done()
	return Secret{File: path, Env: name}
}

// needsBoth reports a user without a password and the other way round.
func needsBoth(b *hclread.Block, user string, s Secret) {
	switch {
	case user != "" && s.IsZero() && !b.Broken() && !b.Has("password") && len(b.Blocks("password")) == 0:
		b.Fault(b.Rng("user"), "Password missing", fmt.Sprintf("%s logs in as %q but has no password. Add a line such as password { env = \"WEIRKEEPER_PASSWORD\" }.", b.What(), user))
	case !s.IsZero() && !b.Has("user"):
		b.Need("user", `"hatchery"`)
	}
}

func (p *parser) mail() {
	b := p.file.One("mail")
	if b == nil {
		return
	}
	m := &Mail{TLS: StartTLS}
	p.c.Mail = m
	b.Need("host", `"mail.alderfork.example"`)
	m.Host, _ = filled(b, "host")
	if strings.ContainsAny(m.Host, "/: \t") && net.ParseIP(m.Host) == nil {
		b.Fault(b.Rng("host"), "Not a host", `Write the name of the mail server alone, such as host = "mail.alderfork.example"; a port goes into port.`)
	}
	if t, ok := b.Choice("tls", []string{string(StartTLS), string(TLSFirst), string(NoTLS)}); ok {
		m.TLS = MailTLS(t)
	}
	m.Port = map[MailTLS]int{StartTLS: 587, TLSFirst: 465, NoTLS: 25}[m.TLS]
	if port, ok := b.Int("port", 1, 65535); ok {
		m.Port = port
	}
	m.User, _ = filled(b, "user")
	m.Password = p.secret(b)
	needsBoth(b, m.User, m.Password)
	if m.TLS == NoTLS && m.Host != "" && !loopback(m.Host) {
		if b.Has("user") {
			b.Fault(b.Rng("tls"), "Password in the clear", `Without TLS anybody on the way can read the password. Write tls = "starttls" or tls = "tls".`)
		} else {
			b.Warn(b.Rng("tls"), "Mail in the clear", `Anybody on the way can read and change the messages. Write tls = "starttls" if the mail server can do it.`)
		}
	}
	b.Need("from", `"weirkeeper@alderfork.example"`)
	m.From = address(b, "from")
	m.Timeout = span(b, "timeout", 30*time.Second, time.Second, 10*time.Minute)
	b.Done()
}

// clientID makes a session name of the site's.
func clientID(siteName string) string {
	id := "weirkeeper"
	for w := range strings.FieldsFuncSeq(strings.ToLower(siteName), func(r rune) bool { return (r < 'a' || r > 'z') && (r < '0' || r > '9') }) {
		id += "-" + w
	}
	return id
}

func (p *parser) broker() {
	br := &p.c.Broker
	br.ClientID = clientID(p.c.Site.Name)
	b := p.file.One("broker")
	if b == nil {
		br.Listen, br.Anonymous = defaultBroker, true
		return
	}
	if id, ok := filled(b, "client_id"); ok {
		br.ClientID = id
	}
	if b.Has("url") {
		p.external(b, br)
	} else {
		p.embedded(b, br)
	}
	b.Done()
}

const (
	defaultBroker = "127.0.0.1:1883"
	// DefaultWeb is where the page and the commands are unless web.listen
	// says otherwise.
	DefaultWeb = "127.0.0.1:8370"
)

// listen reads host:port; local tells whether only this machine reaches it.
func listen(b *hclread.Block, def string) (addr string, local bool) {
	s, ok := b.Text("listen")
	if !ok {
		return def, true
	}
	host, port, err := net.SplitHostPort(s)
	n, numErr := strconv.Atoi(port)
	if err != nil || numErr != nil || n < 0 || n > 65535 || host != "" && host != "localhost" && net.ParseIP(host) == nil {
		b.Fault(b.Rng("listen"), "Not an address", fmt.Sprintf("Write an address of this machine and a port, such as listen = %q, or listen = \":%s\" for all its addresses.", def, def[strings.LastIndex(def, ":")+1:]))
		return def, true
	}
	return s, loopback(host)
}

func (p *parser) embedded(b *hclread.Block, br *Broker) {
	addr, local := listen(b, defaultBroker)
	br.Listen = addr
	for _, u := range b.Named("user") {
		s := p.secret(u)
		if s.IsZero() && !u.Broken() && !u.Has("password") && len(u.Blocks("password")) == 0 {
			u.Fault(u.DefRange(), "Password missing", fmt.Sprintf("%s needs a password. Add a line such as password { file = \"broker.password\" }.", u.What()))
		}
		u.Done()
		br.Users = append(br.Users, User{Name: u.Name(), Password: s})
	}
	users := len(b.Blocks("user")) > 0
	const addUser = `Add a block such as user "probes" with password { file = "broker.password" }`
	br.Anonymous = local && !users
	anon, ok := b.Bool("anonymous")
	switch {
	case ok && anon && !local:
		b.Fault(b.Rng("anonymous"), "Open to everybody", fmt.Sprintf("Everybody who reaches %s could send false readings. %s and delete anonymous, or listen on %q.", addr, addUser, defaultBroker))
	case !local && !users && !b.Broken():
		b.Fault(b.Rng("listen"), "Open to everybody", fmt.Sprintf("Everybody who reaches %s could send false readings. %s, or listen on %q.", addr, addUser, defaultBroker))
	case ok && !anon && !users && !b.Broken():
		b.Fault(b.Rng("anonymous"), "Nobody can log in", addUser+", or delete anonymous.")
	case ok:
		br.Anonymous = anon
	}
}

// brokerPorts are the default ports by scheme.
var brokerPorts = map[string]string{"mqtt": "1883", "mqtts": "8883", "ws": "80", "wss": "443"}

func (p *parser) external(b *hclread.Block, br *Broker) {
	br.User, _ = filled(b, "user")
	br.Password = p.secret(b)
	needsBoth(b, br.User, br.Password)
	t := b.One("tls")
	if t != nil {
		br.TLS.CAFile = p.filePath(t, "ca_file")
		br.TLS.CertFile = p.filePath(t, "cert_file")
		br.TLS.KeyFile = p.filePath(t, "key_file")
		br.TLS.ServerName, _ = filled(t, "server_name")
		if t.Has("cert_file") != t.Has("key_file") {
			t.Fault(t.DefRange(), "Half a certificate", "A certificate works only with its key: write both cert_file and key_file, or neither.")
		}
		t.Done()
	}
	for _, attr := range []string{"listen", "anonymous"} {
		if b.Has(attr) {
			b.Fault(b.Rng(attr), "Two brokers", fmt.Sprintf("%s is about the embedded broker, url about another one. Delete one of the two lines.", attr))
		}
	}

	s, ok := filled(b, "url")
	if !ok {
		return
	}
	u, err := url.Parse(s)
	if err != nil || u.Hostname() == "" || brokerPorts[u.Scheme] == "" {
		b.Fault(b.Rng("url"), "Not a broker", `Write the broker's address like "mqtts://broker.alderfork.example" or "mqtt://192.0.2.7:1883"; it begins with mqtt, mqtts, ws or wss.`)
		return
	}
	if u.User != nil {
		p.files.Hide(b.Rng("url"))
		b.Fault(b.Rng("url"), "Password in the site file", `The site file is copied and shown, so no password stands in it: write user = "..." and password { env = "WEIRKEEPER_PASSWORD" } on lines of their own.`)
		return
	}
	private := u.Scheme == "mqtts" || u.Scheme == "wss"
	switch {
	case t != nil && !private:
		b.Fault(b.Rng("url"), "TLS is not used", fmt.Sprintf("There is a tls block, but %s:// goes without TLS. Write %ss://, or delete the block.", u.Scheme, u.Scheme))
	case !private && br.User != "" && !loopback(u.Hostname()):
		b.Warn(b.Rng("url"), "Password in the clear", fmt.Sprintf("Anybody on the way to the broker can read the password. Write %ss:// if the broker can do TLS.", u.Scheme))
	}
	u.Host = net.JoinHostPort(u.Hostname(), cmp.Or(u.Port(), brokerPorts[u.Scheme]))
	br.URL = u.String()
}

func (p *parser) web() {
	w := &p.c.Web
	w.Listen, w.Anonymous = DefaultWeb, true
	b := p.file.One("web")
	if b == nil {
		return
	}
	addr, local := listen(b, DefaultWeb)
	w.Listen, w.Anonymous = addr, local
	if t := b.One("tls"); t != nil {
		w.TLS = WebTLS{p.filePath(t, "cert_file"), p.filePath(t, "key_file")}
		if !t.Broken() && (!t.Has("cert_file") || !t.Has("key_file")) {
			t.Fault(t.DefRange(), "Half a certificate", `A certificate works only with its key: write both cert_file and key_file, such as cert_file = "page.crt" and key_file = "page.key".`)
		}
		t.Done()
	} else if !local {
		b.Warn(b.Rng("listen"), "Page in the clear", fmt.Sprintf("Without TLS anybody on the hatchery's network can read on the way what the page says, passwords among it. Add a tls block with cert_file and key_file of a certificate of your own, or write listen = %q if only this machine should reach the page.", DefaultWeb))
	}
	if a, ok := b.Choice("anonymous", []string{"look", "nobody"}); ok {
		w.Anonymous = a == "look"
		if w.Anonymous && !local {
			b.Warn(b.Rng("anonymous"), "Page open to everybody", fmt.Sprintf("Everybody who reaches %s can read the page without signing in; nobody can do anything there without. Write anonymous = \"nobody\" if that is too much.", addr))
		}
	}
	if s, ok := filled(b, "url"); ok {
		if u, err := url.Parse(s); err != nil || u.Host == "" || !slices.Contains([]string{"http", "https"}, u.Scheme) {
			b.Fault(b.Rng("url"), "Not a web address", `Write where people reach the page, such as url = "http://192.0.2.7:8370/".`)
		} else {
			w.URL = s
		}
	}
	b.Done()
}

// shortestKeep is how long readings are kept at least: past the month that is
// being sealed.
const shortestKeep = 92 * 24 * time.Hour

func (p *parser) history() {
	b := p.file.One("history")
	if b == nil {
		return
	}
	p.c.History.Keep = span(b, "keep", 0, shortestKeep, 100*365*24*time.Hour)
	p.c.History.DropOldest, _ = b.Bool("drop_oldest_when_full")
	b.Done()
}

func (p *parser) paths() {
	data, rules := "weirkeeper-data", []string{"rules.hcl"}
	if b := p.file.One("paths"); b != nil {
		if s, ok := filled(b, "data"); ok {
			data = s
		}
		if names, ok := b.Names("rules"); ok {
			rules = nil
			for _, n := range names {
				rules = append(rules, n.Value)
			}
		}
		b.Done()
	}
	p.c.Paths.Data = p.path(data)
	for _, r := range rules {
		p.c.Paths.Rules = append(p.c.Paths.Rules, p.path(r))
	}
}
