package config

import (
	"fmt"
	"time"

	"weirkeeper/rules/hclread"
)

// topicUser names what listens to a topic, or is switched by it, so far; "" when
// nothing is.
func (p *parser) topicUser(t string) string {
	if t == "" {
		return ""
	}
	for _, pr := range p.c.Site.Probes {
		if pr.Topic == t {
			return fmt.Sprintf("probe %q", pr.ID)
		}
	}
	for _, bt := range p.c.Site.Buttons {
		if bt.Topic == t {
			return fmt.Sprintf("button %q", bt.Name)
		}
	}
	for _, h := range p.c.Horns {
		if h.Topic == t || h.Feedback == t {
			return fmt.Sprintf("horn %q", h.Name)
		}
	}
	if p.c.Alive != nil && p.c.Alive.Topic == t {
		return "the alive block"
	}
	for _, o := range p.c.Peers {
		if o.Topic == t {
			return fmt.Sprintf("peer %q", o.Name)
		}
	}
	return ""
}

// ownTopic reads a topic that nothing else uses.
func (p *parser) ownTopic(b *hclread.Block, attr, example string) string {
	t := topicOf(b, attr, example)
	if user := p.topicUser(t); user != "" {
		b.Fault(b.Rng(attr), "Topic used twice", fmt.Sprintf("This is already the topic of %s. Write one that nothing else uses.", user))
	}
	return t
}

// horns reads horns and lights.
func (p *parser) horns() {
	for _, b := range p.file.Named("horn") {
		h := Horn{Name: b.Name(), On: "ON", Off: "OFF"}
		b.Need("topic", `"alderfork/horn/set"`)
		h.Topic = p.ownTopic(b, "topic", "alderfork/horn/set")
		if s, ok := filled(b, "on"); ok {
			h.On = s
		}
		if s, ok := filled(b, "off"); ok {
			h.Off = s
		}
		if h.On == h.Off {
			b.Fault(b.DefRange(), "On like off", fmt.Sprintf("The horn is switched on and off by the same word, %q. Write two different ones.", h.On))
		}
		h.Feedback = p.ownTopic(b, "feedback", "alderfork/horn/state")
		if h.Feedback != "" && h.Feedback == h.Topic {
			b.Fault(b.Rng("feedback"), "Hears itself", "What we say to the horn would count as what it says, and a dead horn would seem to live. Write the topic on which the horn itself says its state.")
		}
		h.Within = span(b, "within", 10*time.Second, time.Second, 10*time.Minute)
		h.Silent = span(b, "silent", 0, time.Minute, 30*24*time.Hour)
		for _, attr := range []string{"within", "silent"} {
			if b.Has(attr) && !b.Has("feedback") {
				b.Fault(b.Rng(attr), "Nothing to supervise by", fmt.Sprintf(`%s is about what the horn says of itself. Write its topic, such as feedback = "alderfork/horn/state", or delete this line.`, attr))
			}
		}
		h.After = span(b, "after", 0, 0, 24*time.Hour)
		h.Longest = span(b, "longest", 10*time.Minute, 10*time.Second, 24*time.Hour)
		b.Done()
		p.c.Horns = append(p.c.Horns, h)
	}
}
