package main

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/callout"
)

// A shelf and a pause by command are told to the others who were called, at once
// and once, over a restart too.
func TestHeldByHandIsTold(t *testing.T) {
	for _, tt := range []struct{ args, says string }{
		{"shelve --for 30min --why screen " + strings.ReplaceAll(string(lowFlow), " ", "|"), "kim holds back until 02:3"},
		{"pause --for 30min --why valve", "kim paused the site until 02:3"},
	} {
		c := newCallOut(t)
		var args []string
		for _, a := range strings.Fields(tt.args) {
			args = append(args, strings.ReplaceAll(a, "|", " "))
		}
		e, out, errs := testEnv()
		if code := run(t.Context(), append(args, "--at", c.WebAddr(), "--by", "kim"), e); code != exitOK {
			t.Fatalf("%q: exit code %d, %s%s", args, code, out, errs)
		}
		c.pass(2 * time.Minute)
		c.restart()
		c.pass(4 * time.Minute)
		if m := c.messages("rowan", callout.Answered); len(m) != 1 || !strings.HasPrefix(m[0].Short, tt.says) || !strings.Contains(m[0].Short, "low flow") {
			t.Errorf("%q: rowan was told %+v", args, m)
		}
		if m := c.messages("kim", callout.Answered); len(m) > 0 {
			t.Errorf("%q: kim was told %+v", args, m)
		}
	}
}

// What comes and goes while kim sleeps goes on climbing, also when the daemon was
// restarted in between: rowan is called.
func TestComesAndGoes(t *testing.T) {
	site := strings.Replace(textSite, "sms {", "call_out {\n  climb = \"10 min\"\n}\nsms {", 1)
	c := &callOut{t: t, dir: writeFiles(t, map[string]string{"site.hcl": site, "rules.hcl": answerRules})}
	c.start(time.Date(2026, 11, 20, 2, 0, 0, 0, time.UTC))
	var got []int
	for range 3 {
		c.flow("42")
		c.pass(4 * time.Minute)
		got = append(got, len(c.messages("rowan", callout.First)))
		c.flow("142")
		c.pass(10 * time.Minute)
		c.restart()
	}
	if d := cmp.Diff([]int{0, 0, 1}, got); d != "" {
		t.Errorf("rowan's first messages by the end of each time (-want +got):\n%s", d)
	}
}
