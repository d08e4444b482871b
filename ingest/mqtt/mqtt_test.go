package mqtt_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"weirkeeper/ingest"
	"weirkeeper/ingest/broker"
	"weirkeeper/ingest/mqtt"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience bounds every wait for something that must happen.
const patience = 20 * time.Second

func discard() *slog.Logger { return slog.New(slog.DiscardHandler) }

func wait[T any](t *testing.T, c <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(patience):
		t.Fatalf("waited too long for %s", what)
		panic("not reached")
	}
}

type link struct {
	up     bool
	detail string
}

// daemon is a running client.
type daemon struct {
	got    chan ingest.Message
	links  chan link
	cancel context.CancelFunc
	done   chan error
}

func options(url string, topics ...string) mqtt.Options {
	return mqtt.Options{
		URLs: []string{url}, ClientID: "daemon", Topics: topics, Log: discard(), Now: time.Now, Retry: 5 * time.Millisecond,
		Handle: func(ingest.Message) {},
	}
}

func run(t *testing.T, opt mqtt.Options) *daemon {
	t.Helper()
	d := &daemon{got: make(chan ingest.Message, 1000), links: make(chan link, 1000), done: make(chan error, 1)}
	opt.Handle = func(m ingest.Message) { d.got <- m }
	opt.OnLink = func(up bool, detail string) { d.links <- link{up, detail} }
	c, err := mqtt.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	var ctx context.Context
	ctx, d.cancel = context.WithCancel(context.Background())
	go func() { d.done <- c.Run(ctx) }()
	t.Cleanup(func() { d.stop(t) })
	return d
}

func (d *daemon) stop(t *testing.T) {
	t.Helper()
	if d.cancel == nil {
		return
	}
	d.cancel()
	d.cancel = nil
	if err := wait(t, d.done, "the end of Run"); err != nil {
		t.Error(err)
	}
}

// until skips links until one is up or down.
func (d *daemon) until(t *testing.T, up bool) link {
	t.Helper()
	for {
		if l := wait(t, d.links, fmt.Sprintf("link up=%v", up)); l.up == up {
			return l
		}
	}
}

// mosquitto is a real broker on a port of its own, with its state in a folder.
type mosquitto struct {
	port, conf string
	cmd        *exec.Cmd
}

func tool(t *testing.T, name string) string {
	t.Helper()
	for _, n := range []string{name, "/usr/sbin/" + name} {
		if p, err := exec.LookPath(n); err == nil {
			return p
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed; install the packages mosquitto and mosquitto-clients", name)
	}
	t.Skipf("%s is not installed: not tested against a real broker", name)
	return ""
}

func newMosquitto(t *testing.T) *mosquitto {
	t.Helper()
	tool(t, "mosquitto_pub")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(l.Addr().String())
	_ = l.Close()
	dir := t.TempDir()
	m := &mosquitto{port: port, conf: filepath.Join(dir, "mosquitto.conf")}
	conf := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\n", port, dir)
	if os.Geteuid() == 0 {
		conf += "user root\n" // or it could not write to the folder
	}
	if err := os.WriteFile(m.conf, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	m.start(t)
	t.Cleanup(func() { m.stop(t) })
	return m
}

func (m *mosquitto) url() string { return "mqtt://127.0.0.1:" + m.port }

func (m *mosquitto) start(t *testing.T) {
	t.Helper()
	m.cmd = exec.Command(tool(t, "mosquitto"), "-c", m.conf)
	var out bytes.Buffer
	m.cmd.Stdout, m.cmd.Stderr = &out, &out
	if err := m.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(patience); ; {
		c, err := net.Dial("tcp", "127.0.0.1:"+m.port)
		if err == nil {
			_ = c.Close()
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("mosquitto does not listen: %v\n%s", err, out.String())
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// stop ends the broker in the way that makes it save its sessions.
func (m *mosquitto) stop(t *testing.T) {
	t.Helper()
	if m.cmd == nil {
		return
	}
	if err := m.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Error(err)
	}
	_ = m.cmd.Wait() // it may report the signal
	m.cmd = nil
}

// publish returns when the broker has acknowledged.
func (m *mosquitto) publish(t *testing.T, topic, payload string, more ...string) {
	t.Helper()
	args := append([]string{"-h", "127.0.0.1", "-p", m.port, "-q", "1", "-t", topic, "-m", payload}, more...)
	if out, err := exec.Command(tool(t, "mosquitto_pub"), args...).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_pub: %v\n%s", err, out)
	}
}

func TestMosquitto(t *testing.T) {
	m := newMosquitto(t)
	m.publish(t, "a/temp", "7.9", "-r")
	d := run(t, options(m.url(), "a/temp"))
	if l := d.until(t, true); l.detail != "" {
		t.Errorf("link up with %q", l.detail)
	}
	if got := wait(t, d.got, "the retained message"); !got.Retained || string(got.Payload) != "7.9" {
		t.Errorf("got %+v, want 7.9 retained", got)
	} else {
		got.Ack()
	}
	m.publish(t, "a/temp", "8.0")
	first := wait(t, d.got, "a message")
	if first.Retained || first.Dup || first.QoS != 1 || first.MID == 0 || first.Topic != "a/temp" || first.ArrivedAt.IsZero() {
		t.Errorf("got %+v", first)
	}

	// The broker goes and comes back: what was not acknowledged comes again.
	m.stop(t)
	if l := d.until(t, false); !strings.Contains(l.detail, "link lost") {
		t.Errorf("link down with %q", l.detail)
	}
	if l := wait(t, d.links, "the failed attempt"); l.up || !strings.Contains(l.detail, "cannot connect") {
		t.Errorf("got %+v", l)
	}
	m.start(t)
	d.until(t, true)
	again := wait(t, d.got, "the message again")
	if !again.Dup || again.MID != first.MID || string(again.Payload) != "8.0" {
		t.Errorf("got %+v, want a duplicate of %+v", again, first)
	}
	first.Ack() // of a link that is gone: must do no harm
	again.Ack()

	// The daemon goes and comes back: what was published meanwhile is there, in
	// order, and what was acknowledged is not.
	d.stop(t)
	want := []string{"8.1", "8.2", "8.3"}
	for _, v := range want {
		m.publish(t, "a/temp", v)
	}
	d = run(t, options(m.url(), "a/temp"))
	var got []string
	for len(got) < len(want) {
		msg := wait(t, d.got, "a message of before")
		msg.Ack()
		if !msg.Retained { // 7.9 comes again for the new subscription
			got = append(got, string(msg.Payload))
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestMosquittoKilledDaemon holds that a daemon that dies without
// acknowledging, or a link that breaks, gets the message again.
func TestMosquittoKilledDaemon(t *testing.T) {
	m := newMosquitto(t)
	d := run(t, options(m.url(), "a/temp"))
	d.until(t, true)
	m.publish(t, "a/temp", "8.0")
	first := wait(t, d.got, "a message")
	// A second client of the same name takes the session, as a restarted
	// daemon does before the broker has noticed the end of the first.
	e := run(t, options(m.url(), "a/temp"))
	again := wait(t, e.got, "the message again")
	if !again.Dup || again.MID != first.MID || string(again.Payload) != "8.0" {
		t.Errorf("got %+v, want a duplicate of %+v", again, first)
	}
	again.Ack()
	first.Ack()
}

func startBroker(t *testing.T, opt broker.Options) *broker.Broker {
	t.Helper()
	opt.Listen, opt.Log = "127.0.0.1:0", discard()
	b, err := broker.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := wait(t, done, "the broker's end"); err != nil {
			t.Error(err)
		}
	})
	wait(t, b.Ready(), "the broker")
	return b
}

func TestRefusedTopicIsSaid(t *testing.T) {
	b := startBroker(t, broker.Options{Anonymous: true})
	d := run(t, options("mqtt://"+b.Addr(), "a/temp", "$share/odd"))
	got := d.until(t, true)
	want := `the broker refused 1 of 2 topics ($share/odd); allow client "daemon" to read them`
	if got.detail != want {
		t.Errorf("got %q, want %q", got.detail, want)
	}
}

func TestWrongPasswordIsSaid(t *testing.T) {
	b := startBroker(t, broker.Options{Users: map[string]string{"rowan": "secret"}})
	opt := options("mqtt://"+b.Addr(), "a/temp")
	opt.User, opt.Password = "rowan", "other"
	d := run(t, opt)
	if got := wait(t, d.links, "the link"); got.up || !strings.Contains(got.detail, "cannot connect to the broker: not Authorized") {
		t.Errorf("got %+v", got)
	}
}

func TestStopWithoutABroker(t *testing.T) {
	d := run(t, options("mqtt://127.0.0.1:1", "a/temp"))
	if got := wait(t, d.links, "the link"); got.up || !strings.Contains(got.detail, "cannot connect") {
		t.Errorf("got %+v", got)
	}
	d.stop(t)
	if got := wait(t, d.links, "the last word"); got.up || got.detail != "stopped" {
		t.Errorf("got %+v", got)
	}
}

func TestNewRefuses(t *testing.T) {
	for name, tc := range map[string]struct {
		change func(*mqtt.Options)
		want   string
	}{
		"no address":   {func(o *mqtt.Options) { o.URLs = nil }, "no broker address"},
		"no client id": {func(o *mqtt.Options) { o.ClientID = "" }, "no client id"},
		"no handler":   {func(o *mqtt.Options) { o.Handle = nil }, "must be set"},
	} {
		t.Run(name, func(t *testing.T) {
			opt := options("mqtt://127.0.0.1:1")
			tc.change(&opt)
			if _, err := mqtt.New(opt); err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got error %v, want a part %q", err, tc.want)
			}
		})
	}
}
