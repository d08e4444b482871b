package config

import "time"

// peers reads by what other daemons know that we live, and what we know of them.
func (p *parser) peers() {
	if b := p.file.One("alive"); b != nil {
		b.Need("topic", `"alderfork/weirkeeper/alive"`)
		a := &Alive{Topic: p.ownTopic(b, "topic", "alderfork/weirkeeper/alive")}
		a.Every = span(b, "every", 30*time.Second, 5*time.Second, 10*time.Minute)
		b.Done()
		p.c.Alive = a
	}
	for _, b := range p.file.Named("peer") {
		b.Need("topic", `"lower-fork/weirkeeper/alive"`)
		o := Peer{Name: b.Name(), Topic: p.ownTopic(b, "topic", "lower-fork/weirkeeper/alive")}
		o.Silent = span(b, "silent_after", 5*time.Minute, time.Minute, 24*time.Hour)
		b.Done()
		p.c.Peers = append(p.c.Peers, o)
	}
}
