package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/rules/hclread"
)

// toWord stands for the number in the arguments of a command.
const toWord = "{to}"

// sms reads how text messages are sent.
func (p *parser) sms() {
	b := p.file.One("sms")
	if b == nil {
		return
	}
	s := &SMS{}
	p.c.SMS = s
	switch device, run := b.Has("device"), b.Has("run"); {
	case device && run:
		b.Fault(b.Rng("run"), "Two ways to send", "Text messages go by a modem at device, or by the command run. Delete one of the two lines.")
	case !device && !run && !b.Broken():
		b.Fault(b.DefRange(), "No way to send", `Write the serial port of the modem, such as device = "/dev/ttyUSB2", or a command, such as run = ["/usr/local/bin/send-text", "{to}"].`)
	}
	if d, ok := filled(b, "device"); ok {
		if !strings.HasPrefix(d, "/") {
			b.Fault(b.Rng("device"), "Not a serial port", `Write the whole path, such as device = "/dev/ttyUSB2"; the names under /dev/serial/by-id stay the same when it is plugged in again.`)
		}
		s.Device = d
	}
	if s.Device != "" {
		s.Baud = 115200
	}
	if baud, ok := b.Int("baud", 300, 4000000); ok {
		s.Baud = baud
	}
	s.PIN = p.hidden(b, "pin", "sim.pin", "WEIRKEEPER_SIM_PIN")
	if b.Has("run") {
		s.Run = run(b)
		if b.Has("baud") {
			b.Fault(b.Rng("baud"), "Belongs to a modem", "baud is the speed of a serial port, and messages go by a command. Delete the line.")
		}
		if !s.PIN.IsZero() {
			b.Fault(b.Blocks("pin")[0].DefRange(), "Belongs to a modem", "A PIN opens the SIM of a modem, and messages go by a command. Delete the block.")
		}
	}
	s.Timeout = span(b, "timeout", time.Minute, 5*time.Second, 10*time.Minute)
	s.PerHour = 30
	if n, ok := b.Int("per_hour", 1, 1000); ok {
		s.PerHour = n
	}
	b.Done()
	if !b.Broken() && !p.file.Broken() && !slices.ContainsFunc(p.file.Blocks("person"), func(pn *hclread.Block) bool { return pn.Has("mobile") }) {
		b.Warn(b.DefRange(), "Nobody has a mobile number", `Text messages go to nobody. Add a line such as mobile = "+44 7700 900123" to a person.`)
	}
}

// run reads a program and its arguments, one of which names the number.
func run(b *hclread.Block) []string {
	const example = `run = ["/usr/local/bin/send-text", "{to}"]`
	args, ok := b.Texts("run")
	has := func(s string) bool { return strings.Contains(s, toWord) }
	switch {
	case !ok:
		return nil
	case len(args) == 0 || strings.TrimSpace(args[0]) == "" || has(args[0]) || len(args) == 1 && strings.ContainsRune(args[0], ' '):
		b.Fault(b.Rng("run"), "Not a command", fmt.Sprintf("Write the program and then each argument in quotes of its own, without a shell: %s.", example))
	case !slices.ContainsFunc(args[1:], has):
		b.Fault(b.Rng("run"), "Number missing", fmt.Sprintf("The command is not told whom to send to. Write {to} where the number goes: %s. The text is on its standard input.", example))
	case strings.ContainsRune(strings.Join(args, ""), 0):
		b.Fault(b.Rng("run"), "Not a command", fmt.Sprintf("No argument can hold a zero byte. Write it like %s.", example))
	default:
		return args
	}
	return nil
}
