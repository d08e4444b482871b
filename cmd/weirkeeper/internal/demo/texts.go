package demo

import (
	"context"
	"fmt"
	"os"
	"regexp"
	"slices"
	"time"

	"weirkeeper/config"
	"weirkeeper/notify/sms/modem/modemtest"
	"weirkeeper/rules/callout"
)

// openModem plugs in the simulated modem, on a pseudo-terminal that the daemon
// opens like any serial port. Where there is none the night goes on by mail; stop
// is nil then.
func (n *night) openModem(c *config.Config) (stop func()) {
	for _, p := range c.People {
		if p.Name == "kim" {
			n.kimNumber = p.Mobile
		}
	}
	dir, err := os.MkdirTemp("", "weirkeeper-modem-")
	if err == nil {
		m := modemtest.New(modemtest.Options{Now: n.clock.Now, Wait: func(ctx context.Context, d time.Duration) error {
			pause(ctx, d)
			return ctx.Err()
		}})
		var device string
		if device, err = m.Listen(dir); err == nil {
			n.modem = m
			c.SMS.Device = device
			return func() {
				m.Close()
				_ = os.RemoveAll(dir) // a leftover in the temporary folder hurts nobody
			}
		}
		m.Close()
		_ = os.RemoveAll(dir)
	}
	fmt.Fprintf(n.opt.Out, "No simulated modem here (%v): the night goes by mail alone.\n", err)
	c.SMS = nil
	for i := range c.People {
		p := &c.People[i]
		p.Reach = slices.DeleteFunc(p.Reach, func(r callout.Reach) bool { return r.Way == callout.SMS })
	}
	return nil
}

var codeWords = regexp.MustCompile(`Reply (\d{4})`)

// printTexts tells of the text messages that the network took.
func (n *night) printTexts(now time.Time) {
	if n.modem == nil {
		return
	}
	taken := n.modem.Taken()
	for _, t := range taken[n.texts:] {
		n.sum.Texts++
		part := ""
		if t.Total > 1 {
			part = fmt.Sprintf(" (part %d of %d)", t.Seq, t.Total)
		}
		fmt.Fprintf(n.opt.Out, "%s  text message to %s%s: %s\n", at(now), t.To, part, t.Text)
		if m := codeWords.FindStringSubmatch(t.Text); m != nil && t.To == n.kimNumber {
			n.lastCode = m[1]
			if n.opt.AnswerAfter > 0 {
				n.mu.Lock()
				if n.answer.IsZero() {
					n.answer = now.Add(n.opt.AnswerAfter)
				}
				n.mu.Unlock()
			}
		}
	}
	n.texts = len(taken)
}

// kimAnswers has kim answer, by a text message where there are any.
func (n *night) kimAnswers(ctx context.Context, now time.Time) error {
	if n.modem == nil || n.lastCode == "" {
		fmt.Fprintf(n.opt.Out, "%s  kim answers: weirkeeper ack --by kim\n", at(now))
		_, err := n.daemon.Acknowledge(ctx, "", "kim")
		return err
	}
	said := n.lastCode + " coming"
	fmt.Fprintf(n.opt.Out, "%s  kim answers by text message: %s\n", at(now), said)
	before, err := n.daemon.Ledger().Inbox(ctx, Start)
	if err != nil {
		return err
	}
	if err := n.modem.Receive(n.kimNumber, said); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	for range 5000 {
		rows, err := n.daemon.Ledger().Inbox(ctx, Start)
		if err != nil {
			return err
		}
		if len(rows) > len(before) {
			break
		}
		pause(ctx, time.Millisecond)
	}
	return nil
}
