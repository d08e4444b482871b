package access

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestSlowClients: whoever says nothing, or half of it, is cut off, and one address
// that opens many connections keeps nobody else out.
func TestSlowClients(t *testing.T) {
	s := newSite(t, nil)
	l, err := new(net.ListenConfig).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	// The daemon's times are 10 s; what is cut off is the same.
	server := &http.Server{Handler: s.handler, ReadHeaderTimeout: 50 * time.Millisecond, ReadTimeout: 50 * time.Millisecond, MaxHeaderBytes: 16 << 10}
	done := make(chan error, 1)
	go func() { done <- server.Serve(PerAddress(l, 4)) }()
	t.Cleanup(func() {
		_ = server.Close()
		if err := <-done; !errors.Is(err, http.ErrServerClosed) {
			t.Errorf("server: %v", err)
		}
	})
	for name, part := range map[string]string{
		"nothing":       "",
		"half a header": "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ",
		"half a form":   "POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\nname=kim",
	} {
		c, err := new(net.Dialer).DialContext(t.Context(), "tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(c, part); err != nil {
			t.Fatal(err)
		}
		// Ends when the server closes it, which is what is tested.
		if said, err := io.ReadAll(c); err == nil && strings.HasPrefix(string(said), "HTTP/1.1 2") {
			t.Errorf("%s was answered: %s", name, said)
		}
		_ = c.Close()
	}
	c, err := new(net.Dialer).DialContext(t.Context(), "tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	// The server may close before all of it is sent.
	_, _ = io.WriteString(c, "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Long: "+strings.Repeat("x", 64<<10)+"\r\n\r\n")
	if said, err := io.ReadAll(c); err == nil && strings.HasPrefix(string(said), "HTTP/1.1 200") {
		t.Errorf("64 kB of header: %.40s", said)
	}
}

// from is a connection that comes from an address.
type from struct {
	net.Conn
	addr net.Addr
	mu   sync.Mutex
	shut bool
}

func (c *from) RemoteAddr() net.Addr { return c.addr }

func (c *from) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.shut = true
	return nil
}

type listed struct {
	net.Listener
	next []net.Conn
}

func (l *listed) Accept() (net.Conn, error) {
	if len(l.next) == 0 {
		return nil, net.ErrClosed
	}
	c := l.next[0]
	l.next = l.next[1:]
	return c, nil
}

func TestPerAddress(t *testing.T) {
	conn := func(ip string) *from {
		return &from{addr: &net.TCPAddr{IP: net.ParseIP(ip), Port: 5}}
	}
	in := &listed{}
	l := PerAddress(in, 2)
	accept := func(c *from) net.Conn {
		t.Helper()
		in.next = []net.Conn{c}
		got, err := l.Accept()
		if errors.Is(err, net.ErrClosed) {
			return nil
		}
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	first := accept(conn("192.168.7.20"))
	accept(conn("192.168.7.20"))
	third := conn("192.168.7.20")
	if accept(third) != nil || !third.shut {
		t.Error("a third connection was taken, or not closed")
	}
	if accept(conn("192.168.7.21")) == nil {
		t.Error("another address was kept out")
	}
	for range 5 {
		if accept(conn("127.0.0.1")) == nil {
			t.Error("this computer was kept out")
		}
	}
	for range 2 { // closing twice counts once
		if err := first.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if accept(conn("192.168.7.20")) == nil {
		t.Error("after one has closed there was no room")
	}
	if accept(conn("192.168.7.20")) != nil {
		t.Error("closing twice made room twice")
	}
}

func TestPasswords(t *testing.T) {
	h := newHasher(cheap)
	fits := func(hash, password string) bool {
		t.Helper()
		ok, err := h.fits(t.Context(), hash, password)
		if err != nil {
			t.Fatal(err)
		}
		return ok
	}
	one, err := h.hash(t.Context(), goodPassword)
	if err != nil {
		t.Fatal(err)
	}
	two, err := h.hash(t.Context(), goodPassword)
	if err != nil || one == two {
		t.Errorf("the same password hashed twice: %s, %s, %v", one, two, err)
	}
	if !strings.HasPrefix(one, "$argon2id$v=19$m=64,t=1,p=1$") || !fits(one, goodPassword) || fits(one, goodPassword+" ") || fits(one, "") || fits("", "") {
		t.Errorf("hash %s", one)
	}
	if Recommended != (Cost{Passes: 3, MemoryKiB: 65536, Lanes: 4}) { // RFC 9106 section 4
		t.Errorf("cost %+v", Recommended)
	}
	if !fits(elsewhere, "heron over slow gravel") || fits(elsewhere, "heron over slow grave") {
		t.Error("a hash made elsewhere is not read")
	}
	for _, bad := range []string{"x", "$argon2i$v=19$m=64,t=1,p=1$c2FsdHNhbHQ$AAAAAAAAAAAAAAAAAAAAAA", "$argon2id$v=19$m=99999999,t=1,p=1$c2FsdHNhbHQ$AAAAAAAAAAAAAAAAAAAAAA", "$argon2id$v=19$m=64,t=1,p=1$$", "$argon2id$v=19$m=64,t=0,p=1$c2FsdHNhbHQ$AAAAAAAAAAAAAAAAAAAAAA"} {
		if ok, err := h.fits(t.Context(), bad, ""); err == nil || ok {
			t.Errorf("%s: %v, %v", bad, ok, err)
		}
	}

	// Two work, some wait, and the next is told to come again.
	for range hashesAtOnce {
		h.slots <- struct{}{}
		h.queue <- struct{}{}
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := h.hash(gone, goodPassword); !errors.Is(err, context.Canceled) {
		t.Errorf("who gave up waiting: %v", err)
	}
	for range hashesWaiting {
		h.queue <- struct{}{}
	}
	if _, err := h.hash(t.Context(), goodPassword); !errors.Is(err, errBusy) {
		t.Errorf("one too many: %v", err)
	}
}

// elsewhere is what the reference program makes of goodPassword:
// argon2 "sixteen byte sal" -id -t 2 -k 256 -p 2 -l 32 (Debian's argon2 0~20171227).
const elsewhere = "$argon2id$v=19$m=256,t=2,p=2$c2l4dGVlbiBieXRlIHNhbA$RQxN2fJ8x+QZRxdTxY/GEJBBDUz5Pg+Q4frJ8M+m7fw"
