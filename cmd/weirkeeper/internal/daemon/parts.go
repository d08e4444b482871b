package daemon

import (
	"maps"
	"slices"
	"sync"

	"weirkeeper/rules"
)

type partNews struct {
	ok     bool
	detail string
}

// parts keeps what the parts of the daemon say of themselves until the keeper's
// next tick: they must not wait for it. Several may speak for one part, each
// under a name of its own; the part is well when all of them are.
type parts struct {
	mu      sync.Mutex
	said    map[rules.Part]map[string]partNews // by who said it
	changed map[rules.Part]string              // who spoke last, since the last tick
}

// say does not block.
func (p *parts) say(part rules.Part, who string, ok bool, detail string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.said == nil {
		p.said, p.changed = map[rules.Part]map[string]partNews{}, map[rules.Part]string{}
	}
	if p.said[part] == nil {
		p.said[part] = map[string]partNews{}
	}
	p.said[part][who] = partNews{ok, detail}
	p.changed[part] = who
}

// take gives the parts of which something was said since it was last asked, in
// order, to do.
func (p *parts) take(do func(part rules.Part, ok bool, detail string)) {
	p.mu.Lock()
	news := map[rules.Part]partNews{}
	for part, who := range p.changed {
		n := p.said[part][who]
		for _, other := range slices.Sorted(maps.Keys(p.said[part])) {
			// Not whoever spoke last: the words would change from one moment to
			// the next, and the modem knows more of itself than its sender.
			if o := p.said[part][other]; !o.ok {
				n = o
				break
			}
		}
		news[part] = n
	}
	clear(p.changed)
	p.mu.Unlock()
	for _, part := range slices.Sorted(maps.Keys(news)) {
		do(part, news[part].ok, news[part].detail)
	}
}
