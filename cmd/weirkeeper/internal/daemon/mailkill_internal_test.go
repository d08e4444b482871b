package daemon

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	crand "crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"weirkeeper/ingest/ledger"
	"weirkeeper/notify"
	"weirkeeper/notify/smtp"
	"weirkeeper/notify/smtp/smtptest"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
)

var mailKills = flag.Int("kills", 20, "how often TestMailKill kills the sender")

// mailChild makes the test binary send mails from a ledger: its folder, the
// server, and the round; after the last one it drains.
const mailChild = "WEIRKEEPER_TEST_SENDS_MAIL"

func TestMain(m *testing.M) {
	for name, child := range map[string]func([]string) error{mailChild: sendMails, callChild: beKilled} {
		words := os.Getenv(name)
		if words == "" {
			continue
		}
		if err := child(strings.Split(words, " ")); err != nil {
			fmt.Fprintln(os.Stderr, "failed:", err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

const (
	// mailLife is how long a message is tried.
	mailLife = 2 * time.Hour
	// roundTime is between the beginnings of two rounds by the child's clock,
	// however long a process takes to start; hurry is how much faster that clock
	// runs within one, so that 15 s are 25 ms.
	roundTime, hurry = 5 * time.Minute, 600
	// drainHurry is the same once nothing waits but what is refused for good, which
	// runs out of its time then, within 1 s.
	drainHurry = 9600
)

var mailStart = time.Date(2026, 10, 15, 3, 12, 0, 0, time.UTC)

// mailClock is the clock of a round that begins now.
type mailClock struct {
	mu   sync.Mutex
	at   time.Time // at real
	real time.Time
	fast time.Duration
}

func newMailClock(round int) *mailClock {
	return &mailClock{at: mailStart.Add(time.Duration(round) * roundTime), real: time.Now(), fast: hurry}
}

func (c *mailClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at.Add(c.fast * time.Since(c.real))
}

// hurry has it run faster from now on.
func (c *mailClock) hurry(fast time.Duration) {
	at := c.now()
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at, c.real, c.fast = at, time.Now(), fast
}

// sendMails stores messages to each of three people, says so on standard output
// once they are in the record, and sends them; it does so until it is killed, or,
// to drain, without new messages until none waits.
func sendMails(words []string) error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	dir, addr := words[0], words[1]
	round, err := strconv.Atoi(words[2])
	if err != nil {
		return err
	}
	drain := words[3] == "drain"
	clock := newMailClock(round)
	now := clock.now
	log := slog.New(slog.DiscardHandler)
	l, err := ledger.Open(ctx, ledger.Options{Path: filepath.Join(dir, LedgerFile), Now: now, Log: log})
	if err != nil {
		return err
	}
	defer l.Close()
	cert, err := os.ReadFile(filepath.Join(dir, "cert.pem"))
	if err != nil {
		return err
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(cert)
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return err
	}
	n, err := strconv.Atoi(port)
	if err != nil {
		return err
	}
	mailer, err := smtp.New(smtp.Options{
		Host: host, Port: n, Mode: smtp.StartTLS, User: "weir", Password: "s3cret", From: "weir@alderfork.example",
		RootCAs: pool, Timeout: 300 * time.Millisecond, Now: now,
	})
	if err != nil {
		return err
	}
	s := notify.NewSender(notify.SenderOptions{
		Outbox: newOutbox(l), Deliverers: map[callout.Way]notify.Deliverer{callout.Email: mailer}, Now: now, Log: log,
		Timeouts: map[callout.Way]time.Duration{callout.Email: 2 * time.Second},
	})
	wake, done := make(chan struct{}, 1), make(chan error, 1)
	go func() { done <- s.Run(ctx, wake) }()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	refusedOnly := false
	for i := 0; ; i++ {
		if drain {
			switch depth, _, err := l.OutboxDepth(ctx); {
			case err != nil:
				return err
			case depth == 0:
				cancel()
				fmt.Println("end", now().UnixMicro())
				return <-done
			}
			if i%10 == 0 && !refusedOnly {
				if refusedOnly, err = onlyRefused(ctx, l); err != nil {
					return err
				}
				if refusedOnly {
					clock.hurry(drainHurry)
				}
			}
		} else if i%10 == 0 {
			if err := storeMails(ctx, l, now(), fmt.Sprintf("%d-%d", round, i/10)); err != nil {
				return err
			}
		}
		select {
		case wake <- struct{}{}:
		default:
		}
		<-tick.C
	}
}

// onlyRefused reports whether nothing waits but lee's mails.
func onlyRefused(ctx context.Context, l *ledger.Ledger) (bool, error) {
	all, err := l.Messages(ctx, mailStart.Add(-time.Hour))
	return !slices.ContainsFunc(all, func(m ledger.MessageRecord) bool { return m.State == ledger.Pending && m.Person != "lee" }), err
}

func storeMails(ctx context.Context, l *ledger.Ledger, now time.Time, id string) error {
	var batch ledger.Batch
	for _, person := range []string{"kim", "rowan", "lee"} {
		batch.Messages = append(batch.Messages, callout.Message{
			ID: id + "-" + person, Reason: callout.First, Person: person, Way: callout.Email, Address: person + "@alderfork.example",
			Subject: "Trough 3: low flow", Text: "Trough 3: low flow\n11.2 L/min, setpoint 28 L/min\n", Alarms: []alarm.Key{"low"},
			CreatedAt: now, ExpiresAt: now.Add(mailLife),
		})
	}
	if _, err := l.Commit(ctx, batch); err != nil {
		return err
	}
	for _, m := range batch.Messages {
		fmt.Println("stored", m.ID)
	}
	return nil
}

// TestMailKill kills the sender with SIGKILL, time and again, while it hands mails
// to a server that goes wrong at every phase of the protocol. Every message that
// was stored must arrive, or be given up with a reason when its time is over, and
// of its copies all but one must say that they may be copies. lee's address is
// refused for good.
func TestMailKill(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0)) //nolint:gosec // a test's dice
	dir := t.TempDir()
	var mu sync.Mutex
	calm := false
	plans := rand.New(rand.NewPCG(seed, 1)) //nolint:gosec // a test's dice
	server, err := smtptest.Start(smtptest.Options{
		TLS: mailCertificate(t, dir), User: "weir", Password: "s3cret", Refused: "lee@alderfork.example",
		Plan: func() smtptest.Fault {
			mu.Lock()
			defer mu.Unlock()
			if calm || plans.IntN(10) < 5 {
				return smtptest.Fault{}
			}
			f := smtptest.Fault{At: smtptest.Phases()[plans.IntN(len(smtptest.Phases()))]}
			switch d := plans.IntN(12); {
			case d < 4:
				f.Code = 451
			case d < 6:
				f.Code = 554
			case d < 7:
				f.Stall = true
			}
			f.Taken = f.At == smtptest.Dot && f.Code == 0 && plans.IntN(2) == 0
			return f
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)

	stored := map[string]bool{}
	child := func(round int, how string) (cmd *exec.Cmd, out io.Reader, said *bytes.Buffer) {
		cmd = exec.CommandContext(t.Context(), os.Args[0]) //nolint:gosec // this test
		cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s %s %d %s", mailChild, dir, server.Addr(), round, how))
		said = &bytes.Buffer{}
		cmd.Stderr = said
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd, out, said
	}
	var end time.Time // by the child's clock
	// note writes down what the child has stored, and calls first at the first.
	note := func(out io.Reader, first func()) {
		for s := bufio.NewScanner(out); s.Scan(); {
			if micros, ok := strings.CutPrefix(s.Text(), "end "); ok {
				n, err := strconv.ParseInt(micros, 10, 64)
				if err != nil {
					t.Error(err)
				}
				end = time.UnixMicro(n)
				continue
			}
			id, ok := strings.CutPrefix(s.Text(), "stored ")
			if !ok {
				t.Errorf("the child said %q", s.Text())
				continue
			}
			if stored[id] = true; first != nil {
				first()
				first = nil
			}
		}
	}
	for round := range *mailKills {
		cmd, out, said := child(round, "send")
		wait := time.Duration(rnd.IntN(300)) * time.Millisecond // when the power goes is anybody's guess
		note(out, func() { time.AfterFunc(wait, func() { _ = cmd.Process.Kill() }) })
		if err := cmd.Wait(); cmd.ProcessState.ExitCode() != -1 || said.Len() > 0 {
			t.Fatalf("round %d ended by itself: %v\n%s", round, err, said)
		}
	}
	mu.Lock()
	calm = true
	mu.Unlock()
	cmd, out, said := child(*mailKills, "drain")
	note(out, nil)
	if err := cmd.Wait(); err != nil || said.Len() > 0 {
		t.Fatalf("the last round: %v\n%s", err, said)
	}
	checkMails(t, dir, stored, server, end)
}

// checkMails holds the record against what was stored and what arrived until end.
func checkMails(t *testing.T, dir string, stored map[string]bool, server *smtptest.Server, end time.Time) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(dir, LedgerFile), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if err := l.Check(t.Context()); err != nil {
		t.Errorf("integrity: %v", err)
	}
	records, err := l.Messages(t.Context(), mailStart.Add(-time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	copies, unmarked := map[string]int{}, map[string]int{}
	for _, m := range server.Mails() {
		id := strings.TrimSuffix(strings.TrimPrefix(m.MessageID, "<"), "@alderfork.example>")
		copies[id]++
		if !strings.HasPrefix(m.Body, notify.AlreadyNote) {
			unmarked[id]++
		}
	}
	sent, givenUp, twice, attempts := 0, 0, 0, 0
	for _, m := range records {
		delete(stored, m.ID)
		attempts += m.Attempts
		n := copies[m.ID]
		switch m.State {
		case ledger.Sent:
			sent++
			if n == 0 {
				t.Errorf("%s counts as sent, but never arrived", m.ID)
			}
		case ledger.GivenUp:
			// The next attempt would have come after its end.
			if m.FailedAt.Before(m.ExpiresAt.Add(-7*time.Minute)) || m.LastError == "" {
				t.Errorf("%s was given up at %v for %q, its end is at %v", m.ID, m.FailedAt, m.LastError, m.ExpiresAt)
			}
			givenUp++
		case ledger.Expired: // that is its reason
			if m.ExpiresAt.After(end) {
				t.Errorf("%s ran out of time before its end at %v", m.ID, m.ExpiresAt)
			}
			givenUp++
		case ledger.Pending, ledger.NotNeeded:
			t.Errorf("%s is %s", m.ID, m.State)
		}
		if m.Person == "lee" && (n > 0 || m.State == ledger.Sent) {
			t.Errorf("%s is %s and arrived %d times, though it was refused", m.ID, m.State, n)
		}
		if n > 1 {
			twice++
		}
		if unmarked[m.ID] > 1 {
			t.Errorf("%s arrived %d times without a word of it", m.ID, unmarked[m.ID]-1)
		}
	}
	for id := range stored {
		t.Errorf("%s was stored and is gone", id)
	}
	hits := 0
	for _, n := range server.Hits() {
		hits += n
	}
	t.Logf("%d kills: %d messages, %d attempts, %d faults of %d kinds; %d sent, %d of them more than once and marked, %d given up after their time",
		*mailKills, len(records), attempts, hits, len(server.Hits()), sent, twice, givenUp)
	if sent == 0 || givenUp == 0 || hits == 0 {
		t.Errorf("the test needs faults, mails that arrive and some that never do")
	}
}

// mailCertificate makes one for the loopback address and puts it into dir.
func mailCertificate(t *testing.T, dir string) *tls.Config {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), crand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(crand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "cert.pem"), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}, MinVersion: tls.VersionTLS12}
}
