package broker

import (
	"bytes"
	"net"
	"sync"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// hook holds back acknowledgements. It was written from the source of mochi
// v2.7.9; what it relies on there:
//
//   - When OnPublish returns ErrRejectPacket the server neither routes nor
//     acknowledges the message, and takes nothing from the publisher's quota.
//   - InjectPacket of an inline client routes in the caller's goroutine and never
//     writes to a connection; for each client at QoS 1 it calls OnQosPublish with
//     the packet identifier, and OnPublishDropped when its queue is full.
//   - OnPacketRead is called before an acknowledgement is dealt with, OnQosDropped
//     when a message is given up, also when a session moves to a new connection.
type hook struct {
	mochi.HookBase
	b *Broker

	// routing is held while a message is routed, so that OnQosPublish knows
	// which one it is, and while the subscriber's session moves to a new
	// connection: a message routed to the old one meanwhile could be given the
	// identifier of one that has moved, and be taken for it. It is taken before
	// mu.
	routing sync.Mutex
	router  *mochi.Client // the inline client messages are routed as

	mu         sync.Mutex
	subscriber *mochi.Client       // the latest; what older ones still say does not count
	moving     net.Conn            // its connection, while that holds routing
	current    *message            // the one being routed
	byMID      map[uint16]*message // by packet identifier to the subscriber
	byFrom     map[from]*message   // by publisher and its packet identifier
	topics     map[string]bool     // filters the subscriber has asked for
	replies    map[*mochi.Client][]packets.Packet
	closed     bool

	writers    sync.WaitGroup // one for each client in replies
	subscribed chan struct{}  // closed when topics is first filled
	closing    chan struct{}
}

// from is a publisher's message: its client id and packet identifier.
type from struct {
	client string
	mid    uint16
}

// message is one whose publisher waits for its acknowledgement.
type message struct {
	publisher *mochi.Client
	from      from
	topic     string
	payload   []byte
	reply     byte // Puback or Pubrec
	mids      []uint16
	waiting   int  // how many of mids are not acknowledged
	routed    bool // all mids are known
	lost      bool // one of them was given up
}

func newHook(b *Broker) *hook {
	h := &hook{
		b: b, router: b.server.NewClient(nil, mochi.LocalListener, mochi.InlineClientId, true),
		byMID: make(map[uint16]*message), byFrom: make(map[from]*message),
		topics: make(map[string]bool), replies: make(map[*mochi.Client][]packets.Packet),
		subscribed: make(chan struct{}), closing: make(chan struct{}),
	}
	if b.opt.SubscriberID == "" {
		close(h.subscribed)
	}
	return h
}

// close ends all waiting; nothing is acknowledged any more.
func (h *hook) close() {
	close(h.closing)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
}

// ID names the hook.
func (h *hook) ID() string { return "held-acknowledgements" }

// Provides lists the events that are handled.
func (h *hook) Provides(event byte) bool {
	return bytes.IndexByte([]byte{
		mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnSessionEstablish, mochi.OnSessionEstablished, mochi.OnDisconnect, mochi.OnSubscribed, mochi.OnUnsubscribe,
		mochi.OnPublish, mochi.OnPublishDropped, mochi.OnQosPublish, mochi.OnQosDropped, mochi.OnPacketRead,
	}, event) >= 0
}

func (h *hook) isSubscriber(cl *mochi.Client) bool {
	return h.b.opt.SubscriberID != "" && cl.ID == h.b.opt.SubscriberID
}

// OnConnectAuthenticate lets a client in, or makes it wait until the subscriber
// is there.
func (h *hook) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	if !h.b.allowed(cl.ID, pk.Connect.Username, pk.Connect.Password) {
		h.b.log.Warn("client refused: wrong user or password", "client", cl.ID, "remote", cl.Net.Remote)
		return false
	}
	if h.isSubscriber(cl) {
		return true
	}
	select {
	case <-h.subscribed:
		return true
	case <-h.closing:
		return false
	}
}

// OnACLCheck allows everything; the server itself ignores what is published
// below "$SYS".
func (h *hook) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// OnSessionEstablish stops the routing while the subscriber's session moves.
func (h *hook) OnSessionEstablish(cl *mochi.Client, _ packets.Packet) {
	if !h.isSubscriber(cl) {
		return
	}
	h.routing.Lock()
	h.mu.Lock()
	defer h.mu.Unlock()
	h.subscriber, h.moving = cl, cl.Net.Conn
}

// OnSessionEstablished starts the routing again. What did not move with the
// session is lost.
func (h *hook) OnSessionEstablished(cl *mochi.Client, _ packets.Packet) {
	if !h.isSubscriber(cl) {
		return
	}
	h.mu.Lock()
	for mid, m := range h.byMID {
		if _, ok := cl.State.Inflight.Get(mid); !ok {
			h.lose(m)
		}
	}
	h.mu.Unlock()
	h.moved(cl.Net.Conn)
}

// moved starts the routing again if it was stopped for c. It is also called at
// the end of each connection, for one that ended before its session was there.
func (h *hook) moved(c net.Conn) {
	h.mu.Lock()
	held := h.moving == c
	if held {
		h.moving = nil
	}
	h.mu.Unlock()
	if held {
		h.routing.Unlock()
	}
}

// OnDisconnect logs the end of a connection.
func (h *hook) OnDisconnect(cl *mochi.Client, err error, _ bool) {
	if err != nil {
		h.b.log.Debug("client gone", "client", cl.ID, "err", err)
	}
}

// OnSubscribed notes the subscriber's topics.
func (h *hook) OnSubscribed(cl *mochi.Client, pk packets.Packet, codes []byte) {
	if !h.isSubscriber(cl) {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	first := len(h.topics) == 0
	for i, f := range pk.Filters {
		if codes[i] < packets.ErrUnspecifiedError.Code {
			h.topics[f.Filter] = true
		}
	}
	if first && len(h.topics) > 0 {
		select {
		case <-h.subscribed:
		default:
			close(h.subscribed)
		}
	}
}

// OnUnsubscribe forgets the subscriber's topics when it asks for that; those of
// a session that ended are kept, for the next one.
func (h *hook) OnUnsubscribe(cl *mochi.Client, pk packets.Packet) packets.Packet {
	if h.isSubscriber(cl) {
		h.mu.Lock()
		defer h.mu.Unlock()
		for _, f := range pk.Filters {
			delete(h.topics, f.Filter)
		}
	}
	return pk
}

// OnPublish takes a probe's message out of the server's hands.
func (h *hook) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline || pk.FixedHeader.Qos == 0 || h.b.opt.SubscriberID == "" || h.isSubscriber(cl) {
		return pk, nil
	}
	m := &message{
		publisher: cl, from: from{cl.ID, pk.PacketID}, topic: pk.TopicName, payload: pk.Payload, reply: packets.Puback,
	}
	if pk.FixedHeader.Qos == 2 {
		m.reply = packets.Pubrec
	}
	if pk.FixedHeader.Dup && h.adopt(m) {
		return pk, packets.ErrRejectPacket
	}
	h.route(m, pk)
	return pk, packets.ErrRejectPacket
}

// adopt finds the message m repeats, still under way, and lets it answer to m's
// connection.
func (h *hook) adopt(m *message) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	first, ok := h.byFrom[m.from]
	if !ok || first.topic != m.topic || !bytes.Equal(first.payload, m.payload) {
		return false
	}
	first.publisher = m.publisher
	return true
}

func (h *hook) route(m *message, pk packets.Packet) {
	h.routing.Lock()
	defer h.routing.Unlock()
	h.mu.Lock()
	h.current = m
	h.byFrom[m.from] = m
	h.mu.Unlock()

	out := packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: pk.FixedHeader.Qos, Retain: pk.FixedHeader.Retain},
		TopicName:   pk.TopicName, Payload: pk.Payload, PacketID: 1, Properties: pk.Properties,
	}
	out.Properties.TopicAlias, out.Properties.TopicAliasFlag = 0, false
	h.router.ID = m.from.client // the origin, for clients that want none of their own
	err := h.b.server.InjectPacket(h.router, out)

	h.mu.Lock()
	defer h.mu.Unlock()
	h.current = nil
	m.routed = true
	switch {
	case err != nil, m.lost, len(m.mids) == 0 && h.topics[m.topic]:
		h.b.log.Warn("message not handed to the subscriber; its publisher must send it again", "client", m.publisher.ID, "topic", m.topic)
		h.lose(m)
	case m.waiting == 0:
		h.answer(m)
	}
}

// OnQosPublish notes under which identifier a message goes to the subscriber.
func (h *hook) OnQosPublish(cl *mochi.Client, pk packets.Packet, _ int64, _ int) {
	if !h.isSubscriber(cl) || pk.FixedHeader.Dup || pk.FixedHeader.Type != packets.Publish {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if old, ok := h.byMID[pk.PacketID]; ok {
		h.lose(old) // its identifier is free, so it is not under way any more
	}
	if m := h.current; m != nil {
		// A will or a retained message that happens to pass by now is counted
		// too. That only makes the publisher wait for it as well.
		h.byMID[pk.PacketID] = m
		m.mids = append(m.mids, pk.PacketID)
		m.waiting++
	}
}

// OnPublishDropped notes that the subscriber's queue is full.
func (h *hook) OnPublishDropped(cl *mochi.Client, pk packets.Packet) {
	if !h.isSubscriber(cl) {
		return
	}
	if pk.FixedHeader.Qos == 0 {
		h.b.log.Warn("message at QoS 0 dropped: the daemon is too slow", "topic", pk.TopicName)
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.current != nil {
		h.current.lost = true
	}
}

// OnPacketRead answers the publisher when the subscriber has acknowledged. It
// is called while the packet identifier is still taken. OnQosComplete comes when
// it is free again, and perhaps already another message's.
func (h *hook) OnPacketRead(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Type != packets.Puback || !h.isSubscriber(cl) {
		return pk, nil
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	m, ok := h.byMID[pk.PacketID]
	if !ok || cl != h.subscriber {
		return pk, nil
	}
	delete(h.byMID, pk.PacketID)
	if m.waiting--; m.waiting == 0 && m.routed {
		h.answer(m)
	}
	return pk, nil
}

// OnQosDropped is called when the server gives a message up. When the session
// moves to a new connection, the message moves with it.
func (h *hook) OnQosDropped(cl *mochi.Client, pk packets.Packet) {
	if !h.isSubscriber(cl) || cl.IsTakenOver() {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if m, ok := h.byMID[pk.PacketID]; ok {
		h.lose(m)
	}
}

// lose gives a message up and disconnects its publisher, which will send again
// what was not acknowledged. mu is held.
func (h *hook) lose(m *message) {
	m.lost = true
	if !m.routed {
		return // route sees to it
	}
	h.forget(m)
	m.publisher.Stop(packets.ErrQuotaExceeded)
}

// forget drops a message from the tables. mu is held.
func (h *hook) forget(m *message) {
	for _, mid := range m.mids {
		if h.byMID[mid] == m {
			delete(h.byMID, mid)
		}
	}
	if h.byFrom[m.from] == m {
		delete(h.byFrom, m.from)
	}
}

// answer acknowledges a message to its publisher. The writing is done by a
// goroutine of that publisher's own, which lives while there is something to
// write: a publisher that does not read delays nobody else. mu is held.
func (h *hook) answer(m *message) {
	h.forget(m)
	if h.closed {
		return
	}
	cl := m.publisher
	queue, writing := h.replies[cl]
	h.replies[cl] = append(queue, packets.Packet{FixedHeader: packets.FixedHeader{Type: m.reply}, PacketID: m.from.mid})
	if !writing {
		h.writers.Go(func() { h.write(cl) })
	}
}

func (h *hook) write(cl *mochi.Client) {
	for {
		h.mu.Lock()
		queue := h.replies[cl]
		if len(queue) == 0 {
			delete(h.replies, cl)
			h.mu.Unlock()
			return
		}
		h.replies[cl] = nil
		h.mu.Unlock()
		for _, pk := range queue {
			// If the publisher is gone it will send again.
			_ = cl.WritePacket(pk)
		}
	}
}
