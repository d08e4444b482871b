package access

import (
	"net"
	"net/netip"
	"sync"
)

// MostConnections is how many connections one address may have open: more than a
// browser with some pages open needs, and far fewer than the daemon has room for
// (common practice, no source). Programs on this computer have no bound.
const MostConnections = 48

// PerAddress closes connections beyond most of one address at once, so that one
// device that opens many and says nothing does not keep others out.
func PerAddress(l net.Listener, most int) net.Listener {
	return &perAddress{Listener: l, most: most, open: make(map[netip.Addr]int)}
}

type perAddress struct {
	net.Listener
	most int
	mu   sync.Mutex
	open map[netip.Addr]int
}

func (l *perAddress) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		p, err := netip.ParseAddrPort(c.RemoteAddr().String())
		ip := p.Addr().Unmap()
		if err != nil || ip.IsLoopback() {
			return c, nil //nolint:nilerr // what is no address of the network has no bound
		}
		if l.add(ip) {
			return &countedConn{Conn: c, done: sync.OnceFunc(func() { l.remove(ip) })}, nil
		}
		_ = c.Close()
	}
}

func (l *perAddress) add(ip netip.Addr) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open[ip] >= l.most {
		return false
	}
	l.open[ip]++
	return true
}

func (l *perAddress) remove(ip netip.Addr) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open[ip]--; l.open[ip] == 0 {
		delete(l.open, ip)
	}
}

type countedConn struct {
	net.Conn
	done func()
}

func (c *countedConn) Close() error {
	c.done()
	return c.Conn.Close()
}
