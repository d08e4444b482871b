// Package pagetest shows pages to Debian's Chromium in tests: at the size of a
// desk or of a telephone, with pictures kept under .screenshots and axe-core's
// judgement of whether everybody can use them. It knows no page.
package pagetest

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Size is that of a window, CSS pixels.
type Size struct {
	Name          string
	Width, Height int64
}

// Sizes are those that pages are tried at.
func Sizes() []Size { return []Size{{"desk", 1280, 900}, {"phone", 360, 740}} }

// atMost bounds a test's time in the browser, and patience how long something is
// waited for; they only end what hangs.
const (
	atMost   = 2 * time.Minute
	patience = 30 * time.Second
)

// Tab is a window of a browser of its own.
type Tab struct {
	tb  testing.TB
	Ctx context.Context //nolint:containedctx // what chromedp's own functions are given
}

// Open starts a browser with an empty window. Without Chromium the test is skipped
// or, when CI=true, fails. What the page's scripts throw, and what its policy
// stops, fails the test.
func Open(tb testing.TB, size Size) *Tab {
	tb.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		missing(tb, "chromium is not installed")
	}
	flags := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.UserDataDir(tb.TempDir()), chromedp.Flag("accept-lang", "en"))
	for _, f := range []string{"no-sandbox", "disable-gpu", "disable-quic", "disable-component-update", "hide-scrollbars", "mute-audio"} {
		flags = append(flags, chromedp.Flag(f, true))
	}
	ctx, cancel := context.WithTimeout(tb.Context(), atMost)
	tb.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, flags...)
	tb.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	tb.Cleanup(cancel)
	t := &Tab{tb, ctx}
	var mu sync.Mutex
	var thrown []string
	tb.Cleanup(func() {
		mu.Lock()
		defer mu.Unlock()
		for _, s := range thrown {
			tb.Error(s)
		}
	})
	if err := chromedp.Listen(ctx, func(event any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := event.(type) {
		case *runtime.EventExceptionThrown:
			words := e.ExceptionDetails.Text
			if e.ExceptionDetails.Exception != nil {
				words += " " + e.ExceptionDetails.Exception.Description
			}
			thrown = append(thrown, "the page's script fails: "+words)
		case *log.EventEntryAdded:
			if strings.Contains(e.Entry.Text, "Content Security Policy") {
				thrown = append(thrown, "the page's policy stops something: "+e.Entry.Text)
			}
		}
	}); err != nil {
		tb.Fatalf("chromium does not start: %v", err)
	}
	t.Do(chromedp.EmulateViewport(size.Width, size.Height), chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetTimezoneOverride, emulation.SetTimezoneOverrideParams{TimezoneID: "UTC"})
		return err
	}))
	return t
}

// Do carries out actions, or fails the test.
func (t *Tab) Do(actions ...chromedp.Action[chromedp.Void]) {
	t.tb.Helper()
	if err := chromedp.Do(t.Ctx, actions...); err != nil {
		t.tb.Fatalf("in the browser: %v", err)
	}
}

// Goto loads a page.
func (t *Tab) Goto(url string) {
	t.tb.Helper()
	t.Do(chromedp.Navigate(url))
}

// Click clicks the first element of a CSS selector, once it is there.
func (t *Tab) Click(selector string) {
	t.tb.Helper()
	t.Await("document.querySelector(" + strconv.Quote(selector) + ")")
	t.Do(chromedp.Click(chromedp.CSS(selector)))
}

// Type writes into the first element of a CSS selector.
func (t *Tab) Type(selector, text string) {
	t.tb.Helper()
	t.Do(chromedp.SendKeys(chromedp.CSS(selector), text))
}

// Text is what the first element of a CSS selector says.
func (t *Tab) Text(selector string) string {
	t.tb.Helper()
	text, err := chromedp.Run(t.Ctx, chromedp.Text(chromedp.CSS(selector)))
	if err != nil {
		t.tb.Fatalf("in the browser: %s: %v", selector, err)
	}
	return strings.TrimSpace(text)
}

// Number is the value of an expression of JavaScript.
func (t *Tab) Number(expression string) float64 {
	t.tb.Helper()
	v, err := chromedp.Run(t.Ctx, chromedp.Evaluate[float64](expression))
	if err != nil {
		t.tb.Fatalf("in the browser: %s: %v", expression, err)
	}
	return v
}

// Await waits until an expression of JavaScript is true, over other pages if need
// be.
func (t *Tab) Await(expression string) {
	t.tb.Helper()
	ctx, cancel := context.WithTimeout(t.Ctx, patience)
	defer cancel()
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	for {
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("Boolean("+expression+")"))
		if ok && err == nil {
			return
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			body, _ := chromedp.Run(t.Ctx, chromedp.Evaluate[string]("document.body.innerText"))
			t.tb.Fatalf("not in time: %s (%v); the page says:\n%s", expression, err, body)
		}
	}
}

// Shoot takes a picture of the whole page into .screenshots, for people to look at.
func (t *Tab) Shoot(name string) {
	t.tb.Helper()
	png, err := chromedp.Run(t.Ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.tb.Fatalf("in the browser: %v", err)
	}
	dir := filepath.Join(top(t.tb), ".screenshots")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.tb.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		t.tb.Fatal(err)
	}
}

// Fits checks that nothing is wider than the window.
func (t *Tab) Fits() {
	t.tb.Helper()
	if over := t.Number(`document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		t.tb.Errorf("the page is %v px wider than the window", over)
	}
}

// Axe has axe-core judge the page (WCAG 2.2 A and AA, and its best practices). Its
// file is named by WEIRKEEPER_AXE; without it nothing is judged or, when CI=true,
// the test fails.
func (t *Tab) Axe() {
	t.tb.Helper()
	path := os.Getenv("WEIRKEEPER_AXE")
	if path == "" {
		if os.Getenv("CI") == "true" {
			t.tb.Fatal("WEIRKEEPER_AXE does not name axe.min.js")
		}
		t.tb.Log("not judged by axe-core: WEIRKEEPER_AXE does not name axe.min.js")
		return
	}
	axe, err := os.ReadFile(path)
	if err != nil {
		t.tb.Fatal(err)
	}
	t.Do(chromedp.Evaluate[chromedp.Void](string(axe)))
	violations, err := chromedp.Run(t.Ctx, chromedp.Evaluate[[]string](
		`axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r => r.violations.map(v => v.id + ": " + v.help + "\n  " + v.nodes.map(n => n.html + "\n    " + n.failureSummary).join("\n  ")))`,
		chromedp.EvalAwaitPromise))
	if err != nil {
		t.tb.Fatalf("axe-core: %v", err)
	}
	for _, v := range violations {
		t.tb.Errorf("axe-core: %s", v)
	}
}

func missing(tb testing.TB, what string) {
	tb.Helper()
	if os.Getenv("CI") == "true" {
		tb.Fatal(what)
	}
	tb.Skip(what)
}

// top is the folder of go.mod.
func top(tb testing.TB) string {
	tb.Helper()
	dir, err := os.Getwd()
	if err != nil {
		tb.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			tb.Fatalf("no go.mod above %s", dir)
		}
		dir = up
	}
}
