package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
)

// childVariable makes the test binary run as weirkeeper itself.
const childVariable = "WEIRKEEPER_TEST_AS_MAIN"

func TestMain(m *testing.M) {
	if os.Getenv(childVariable) != "" || (len(os.Args) > 1 && os.Args[1] == daemon.VerifyCommand) {
		main()
		return
	}
	goleak.VerifyTestMain(m)
}

// need finds a program of the machine. Without it the test is skipped with the
// reason; in CI it fails.
func need(t *testing.T, name string) string {
	t.Helper()
	for _, p := range []string{name, "/usr/sbin/" + name} {
		if path, err := exec.LookPath(p); err == nil {
			return path
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed, and in CI it must be", name)
	}
	t.Skipf("%s is not installed (Debian: apt install mosquitto mosquitto-clients faketime qemu-user)", name)
	return ""
}

// freePort is a port of the loopback address that nobody listens on now.
func freePort(t *testing.T) string {
	t.Helper()
	var lc net.ListenConfig
	l, err := lc.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return port
}

// eventually polls until ok, and fails the test after a generous limit.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(60 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

// safeBuffer collects what a process says.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// mosquitto is Debian's broker on its own port, with its own store, that can be
// stopped and started again.
type mosquitto struct {
	port, dir, path string
	cmd             *exec.Cmd
	out             *safeBuffer
}

func newMosquitto(t *testing.T) *mosquitto {
	t.Helper()
	m := &mosquitto{path: need(t, "mosquitto"), port: freePort(t), dir: t.TempDir(), out: &safeBuffer{}}
	if err := os.Chmod(m.dir, 0o777); err != nil { // as root it becomes another user
		t.Fatal(err)
	}
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\nautosave_interval 1\nmax_queued_messages 0\n", m.port, m.dir)
	if os.Getuid() == 0 {
		text += "user root\n"
	}
	if err := os.WriteFile(filepath.Join(m.dir, "mosquitto.conf"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	m.start(t)
	t.Cleanup(func() { m.stop(t) })
	return m
}

func (m *mosquitto) start(t *testing.T) {
	t.Helper()
	m.cmd = exec.CommandContext(context.WithoutCancel(t.Context()), m.path, "-c", filepath.Join(m.dir, "mosquitto.conf"))
	m.cmd.Stdout, m.cmd.Stderr = m.out, m.out
	if err := m.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var d net.Dialer
	eventually(t, "mosquitto listens; it said: "+m.out.String(), func() bool {
		c, err := d.DialContext(context.WithoutCancel(t.Context()), "tcp", "127.0.0.1:"+m.port)
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	})
}

// stop ends the broker in good order, so that it writes its store.
func (m *mosquitto) stop(t *testing.T) {
	t.Helper()
	if m.cmd == nil {
		return
	}
	if err := m.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Errorf("stop mosquitto: %v", err)
	}
	_ = m.cmd.Wait() // its exit status says nothing here
	m.cmd = nil
}

// publish sends lines, each a message at QoS 1, with Debian's client.
func (m *mosquitto) publish(t *testing.T, topic, lines string) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), need(t, "mosquitto_pub"), "-p", m.port, "-h", "127.0.0.1", "-q", "1", "-t", topic, "-l")
	cmd.Stdin = strings.NewReader(lines)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// writeFiles writes a site folder and returns its path.
func writeFiles(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// testEnv is an env that collects output.
func testEnv() (e env, out, errs *safeBuffer) {
	out, errs = &safeBuffer{}, &safeBuffer{}
	return env{in: strings.NewReader(""), out: out, err: errs, getenv: func(string) string { return "" }, readFile: os.ReadFile, now: time.Now}, out, errs
}
