package daemon

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/config"
	"weirkeeper/ingest"
	"weirkeeper/notify/horn"
	"weirkeeper/rules"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/measure"
)

// house are the horns, and the other daemons, that the keeper speaks with by
// MQTT. It is the keeper's alone.
type house struct {
	site  string
	horns []*hornAt
	peers []*peer
	alive *config.Alive
	say   func(topic string, payload []byte, retained bool)
	up    func() bool   // there is a link to the broker
	well  func() string // "" while the daemon is

	first     time.Time // judged
	beatAt    time.Time
	wasUp     bool
	upSince   time.Time
	hornSaid  bool
	peerSaid  bool
	hornWords string
	peerWords string
}

type hornAt struct {
	*horn.Horn
	topic, feedback string
}

type peer struct {
	config.Peer
	heard  time.Time
	unwell string    // what it last said is wrong with it
	since  time.Time // that it says so
}

// beat is what a daemon says of itself to others. Unknown fields are left out.
type beat struct {
	Site string    `json:"site"`
	At   time.Time `json:"at"`
	// Wrong is "" while it watches, else what is wrong.
	Wrong string `json:"wrong,omitempty"`
}

func newHouse(c *config.Config, say func(topic string, payload []byte, retained bool), up func() bool, well func() string) *house {
	h := &house{site: c.Site.Name, alive: c.Alive, say: say, up: up, well: well}
	for _, o := range c.Horns {
		h.horns = append(h.horns, &hornAt{horn.New(horn.Options{
			Name: o.Name, On: o.On, Off: o.Off, After: o.After, Longest: o.Longest, Repeat: c.CallOut.Repeat,
			Supervised: o.Feedback != "", Within: o.Within, Silent: o.Silent,
		}), o.Topic, o.Feedback})
	}
	for _, p := range c.Peers {
		h.peers = append(h.peers, &peer{Peer: p})
	}
	return h
}

// topics are those that the house listens to.
func (h *house) topics() (all []string) {
	for _, o := range h.horns {
		if o.feedback != "" {
			all = append(all, o.feedback)
		}
	}
	for _, p := range h.peers {
		all = append(all, p.Topic)
	}
	return all
}

// mostWords bounds what another daemon may say is wrong with it, in bytes.
const mostWords = 200

// hears takes a message of a horn or of another daemon and reports whether it
// was one. What was kept by the broker says nothing of now but a horn's state.
func (h *house) hears(now time.Time, m ingest.Message) bool {
	found := false
	for _, o := range h.horns {
		if o.feedback == m.Topic {
			found = true
			o.Heard(now, string(m.Payload[:min(len(m.Payload), mostWords)]))
		}
	}
	for _, p := range h.peers {
		if p.Topic != m.Topic {
			continue
		}
		found = true
		var b beat
		if m.Retained || len(m.Payload) > 4*mostWords || json.Unmarshal(m.Payload, &b) != nil || b.Site == "" {
			continue // not a daemon's word, or an old one
		}
		if p.heard, p.unwell = now, printable(b.Wrong); p.unwell == "" {
			p.since = time.Time{}
		} else if p.since.IsZero() {
			p.since = now
		}
	}
	return found
}

// printable makes one bounded line of what came off the wire.
func printable(s string) string {
	s = strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))), " ")
	return cutBytes(s, mostWords)
}

// silence stops a horn by hand.
func (h *house) silence(name string) {
	for _, o := range h.horns {
		if o.Name() == name {
			o.Silence()
		}
	}
}

func (h *house) shift(by time.Duration) {
	for _, o := range h.horns {
		o.Shift(by)
	}
	for _, t := range []*time.Time{&h.first, &h.upSince, &h.beatAt} {
		if !t.IsZero() {
			*t = t.Add(by)
		}
	}
	for _, p := range h.peers {
		for _, t := range []*time.Time{&p.heard, &p.since} {
			if !t.IsZero() {
				*t = t.Add(by)
			}
		}
	}
}

// tick tells the horns what to do, says that we live, and judges horns and
// peers: what it gives is news for the engine.
func (h *house) tick(now time.Time, c horn.Call) []partSays {
	if h.first.IsZero() {
		h.first = now
	}
	up := h.up()
	if up && !h.wasUp {
		h.upSince = now
		for _, o := range h.horns {
			o.Again()
		}
	}
	h.wasUp = up
	for _, o := range h.horns {
		if payload, news := o.Due(now, c); news {
			h.say(o.topic, []byte(payload), true)
		}
	}
	if h.alive != nil && (h.beatAt.IsZero() || now.Sub(h.beatAt).Abs() >= h.alive.Every) {
		h.beatAt = now
		if b, err := json.Marshal(beat{Site: h.site, At: now, Wrong: h.well()}); err == nil {
			h.say(h.alive.Topic, b, false)
		}
	}
	if !up {
		return nil // that is an alarm of its own, and nothing else is known then
	}
	var out []partSays
	if len(h.horns) > 0 {
		var wrong []string
		for _, o := range h.horns {
			if s := o.Trouble(now); s != "" {
				wrong = append(wrong, s)
			}
		}
		out = says(out, &h.hornSaid, &h.hornWords, rules.Horn, wrong)
	}
	if len(h.peers) > 0 {
		var wrong []string
		for _, p := range h.peers {
			if s := p.trouble(now, h.upSince); s != "" {
				wrong = append(wrong, s)
			}
		}
		out = says(out, &h.peerSaid, &h.peerWords, rules.Peer, wrong)
	}
	return out
}

// trouble is judged from the last word or from when the link came up, whichever
// is later. What it says is wrong counts when it has said so for as long as it may
// be silent: a computer that starts anew, or whose mail is refused once, wakes
// nobody elsewhere.
func (p *peer) trouble(now, up time.Time) string {
	since := p.heard
	if up.After(since) {
		since = up
	}
	switch silent := now.Sub(since); {
	case silent > p.Silent && p.heard.IsZero():
		return fmt.Sprintf("%s has said nothing since the start", p.Name)
	case silent > p.Silent:
		return fmt.Sprintf("%s has said nothing for %s", p.Name, measure.FormatDuration(now.Sub(p.heard).Truncate(time.Minute)))
	case p.unwell != "" && now.Sub(p.since) >= p.Silent:
		return fmt.Sprintf("%s says: %s", p.Name, p.unwell)
	}
	return ""
}

// partSays is news of a part of the daemon.
type partSays struct {
	part   rules.Part
	ok     bool
	detail string
}

// says adds what is wrong with a part, when that is news: whether anything is,
// and which. A time in the words alone is none.
func says(out []partSays, said *bool, last *string, part rules.Part, wrong []string) []partSays {
	words := strings.Join(wrong, "; ")
	key := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return -1
		}
		return r
	}, words)
	if *said && key == *last {
		return out
	}
	*said, *last = true, key
	if words == "" {
		words = "all well"
	}
	return append(out, partSays{part, len(wrong) == 0, words})
}

// unanswered is what stands unanswered and calls people out.
func unanswered(standing []rules.AlarmView) (c horn.Call) {
	for _, a := range standing {
		if a.Priority != alarm.CallOut || a.State != alarm.Unacknowledged || a.Hidden != "" {
			continue
		}
		if c.Since.IsZero() || a.Since.Before(c.Since) {
			c.Since = a.Since
		}
		if a.Since.After(c.Newest) {
			c.Newest = a.Since
		}
	}
	return c
}

// houseTick is the house's part of a tick.
func (k *keeper) houseTick(now time.Time) {
	if k.house == nil {
		return
	}
	var c horn.Call
	if len(k.house.horns) > 0 {
		c = unanswered(k.engine.Standing(now))
		if d := k.drills.open(now); d != nil && c.Since.IsZero() {
			c = horn.Call{Since: d.At, Newest: d.At}
		}
	}
	for _, s := range k.house.tick(now, c) {
		k.observe(k.engine.Health(now, s.part, s.ok, s.detail))
	}
	k.house.measure(now, k.metrics)
}

// measure sets the house's metrics.
func (h *house) measure(now time.Time, m *metrics) {
	for _, o := range h.horns {
		m.horns.WithLabelValues(o.Name()).Set(map[bool]float64{true: 1}[o.Sounding()])
	}
	for _, p := range h.peers {
		since := p.heard
		if since.IsZero() {
			since = h.first
		}
		m.peers.WithLabelValues(p.Name).Set(now.Sub(since).Seconds())
	}
}

// houseTopics adds the house's topics to others.
func houseTopics(h *house, of []string) []string {
	of = append(of, h.topics()...)
	slices.Sort(of)
	return slices.Compact(of)
}
