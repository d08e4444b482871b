package config

import (
	"fmt"
	"time"

	"weirkeeper/rules/measure"
)

// heartbeats reads who outside is told that we live.
func (p *parser) heartbeats() {
	for _, b := range p.file.Named("heartbeat") {
		h := Heartbeat{Name: b.Name(), Email: address(b, "email")}
		h.URL = p.webAddress(b, "https://alderfork.example/ping", false)
		switch url, email := b.Has("url"), b.Has("email"); {
		case url && email:
			b.Fault(b.Rng("email"), "Two ways", "A heartbeat goes to one place. Delete one of the two lines, or write a heartbeat block for each.")
		case !url && !email && !b.Broken():
			b.Fault(b.DefRange(), "No way", `Write where it goes: url = "https://alderfork.example/ping", or email = "watcher@alderfork.example".`)
		case email && p.c.Mail == nil && !p.file.Broken():
			b.Fault(b.Rng("email"), "No mail block", "No mail is sent without a block mail { ... }. Add one, or write url.")
		}
		h.Timeout = span(b, "timeout", 10*time.Second, time.Second, time.Minute)
		if b.Has("email") && !b.Has("url") {
			h.Every = span(b, "every", 24*time.Hour, 10*time.Minute, 7*24*time.Hour)
		} else {
			h.Every = span(b, "every", time.Minute, 10*time.Second, 24*time.Hour)
		}
		if h.Timeout > h.Every {
			b.Fault(b.Rng("timeout"), "Time out of sense", fmt.Sprintf("One request would still go on when the next is due. Write timeout at most as long as every, %q.", measure.FormatDuration(h.Every)))
		}
		b.Done()
		p.c.Heartbeats = append(p.c.Heartbeats, h)
	}
}
