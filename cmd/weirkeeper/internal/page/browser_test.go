package page

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/page/pagetest"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/site"
)

// hatchery is a daemon that does what its page says, in a small way.
type hatchery struct {
	mu    sync.Mutex
	s     *status.Status
	asked []string

	unwell string
}

func (h *hatchery) Status() *status.Status {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.s == nil {
		return nil
	}
	s := *h.s // another one each time: it ticks
	return &s
}

func (h *hatchery) Health() string { return h.unwell }

func (h *hatchery) change(f func(*status.Status)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	s := *h.s
	f(&s)
	h.s = &s
}

func (h *hatchery) AcknowledgeOnPage(_ context.Context, key alarm.Key, by string) (string, error) {
	h.change(func(s *status.Status) {
		h.asked = append(h.asked, "acknowledge "+string(key)+" by "+by)
		s.Alarms = append(s.Alarms[:0:0], s.Alarms...)
		for i := range s.Alarms {
			if a := &s.Alarms[i]; key == "" || a.Key == key || a.Cause == key {
				a.State, a.By, a.MovedAt = alarm.Acknowledged, by, s.Now
			}
		}
	})
	return "Answered: Trough 3: low flow\nThe repeats stop and the others are told that you are coming.\n", nil
}

func (h *hatchery) ResetOnPage(_ context.Context, key alarm.Key, by string) (string, error) {
	h.change(func(*status.Status) { h.asked = append(h.asked, "reset "+string(key)+" by "+by) })
	return "", errors.New("it is not latched")
}

func (h *hatchery) TakeAct(_ context.Context, a act.Act) (string, error) {
	h.change(func(s *status.Status) {
		h.asked = append(h.asked, string(a.Kind)+" "+a.Unit+" by "+a.By+" via "+a.Via)
		a.At, a.Until, a.Chore = s.Now, s.Now.Add(30*time.Minute), "cleaning"
		s.Cleaning = nil
		if a.Kind == act.CleaningStarted {
			s.Cleaning = []act.Cleaning{{Start: a}}
		}
	})
	return "Trough 5 is being cleaned by kim.\n", nil
}

func (h *hatchery) DoneHere(_ context.Context, d site.ChoreDone, _ string) (string, error) {
	h.change(func(*status.Status) { h.asked = append(h.asked, "done "+d.Chore+" "+d.Unit+" by "+d.By+" via "+d.Via) })
	return "Recorded as done: " + d.Chore + "\n", nil
}

// as has every request be of somebody.
func as(who access.Who, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(w, r.WithContext(access.With(r.Context(), who)))
	})
}

// serve serves the first page at an address, "" for a new one, and gives what
// stops it.
func serve(t *testing.T, h *hatchery, addr string, who access.Who) (url string, stop func()) {
	t.Helper()
	live := NewLive(h.Status, nil)
	text := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("text\n")) })
	s := httptest.NewUnstartedServer(as(who, NewNow(h, live).Mount(text)))
	if addr != "" {
		_ = s.Listener.Close()
		var err error
		var lc net.ListenConfig
		if s.Listener, err = lc.Listen(t.Context(), "tcp", strings.TrimPrefix(addr, "http://")); err != nil {
			t.Fatal(err)
		}
	}
	s.Start()
	return s.URL, sync.OnceFunc(func() {
		live.Stop()
		s.CloseClientConnections()
		s.Close()
	})
}

// A keeper sees an alarm, answers, starts and finishes cleaning, and is told when
// the daemon is gone and when it is back.
func TestNight(t *testing.T) {
	for _, size := range pagetest.Sizes() {
		t.Run(size.Name, func(t *testing.T) {
			t.Parallel() // most of it is waiting
			h := &hatchery{s: night()}
			kim := access.Who{Name: "kim", Role: access.Work, Proof: "p"}
			url, stop := serve(t, h, "", kim)
			defer func() { stop() }()
			tab := pagetest.Open(t, size)
			tab.Goto(url + "/")
			if got := tab.Text("article h2"); !strings.Contains(got, "Trough 3: low flow") {
				t.Errorf("what comes first is %q", got)
			}
			if top := tab.Number(`document.querySelector("article button").getBoundingClientRect().bottom`); top > float64(size.Height) {
				t.Errorf("the button to answer ends at %v, below the %d px of the window", top, size.Height)
			}
			tab.Fits()
			tab.Axe()
			tab.Shoot("now-alarm-" + size.Name)
			tab.Do(chromedp.EmulateViewport(320, 740)) // WCAG 2.2, 1.4.10
			tab.Fits()
			tab.Do(chromedp.EmulateViewport(size.Width, size.Height))
			dark := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}}
			tab.Do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
				_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, dark)
				return err
			}))
			tab.Axe()
			tab.Shoot("now-dark-" + size.Name)

			tab.Click("article button.first")
			tab.Await(`document.querySelector(".said")?.textContent.includes("others are told") && document.querySelector("article")?.textContent.includes("kim answered")`)
			tab.Shoot("now-answered-" + size.Name)

			tab.Click(`.chores form:has(input[value="trough 5"]) button[value="start"]`)
			tab.Await(`document.readyState === "complete" && [...document.querySelectorAll("h2")].some(h => h.textContent === "Being cleaned")`)
			tab.Click(`button[value="finish"]`)
			tab.Await(`document.readyState === "complete" && document.querySelector(".chores button") && ![...document.querySelectorAll("h2")].some(h => h.textContent === "Being cleaned")`)

			// The water is right again: the page says so by itself, and keeps the focus.
			tab.Number(`document.querySelector(".chores button").focus(), window.unmoved = 1`)
			h.change(func(s *status.Status) { s.Alarms = nil })
			tab.Await(`document.querySelector("h1").textContent === "No water needs you now"`)
			tab.Await(`window.unmoved && document.activeElement.matches(".chores button")`)
			tab.Axe()
			tab.Shoot("now-quiet-" + size.Name)

			stop()
			began := time.Now()
			tab.Await(`!document.getElementById("lost").hidden && document.body.classList.contains("lost") && document.querySelectorAll(".oldmark").length >= 10`)
			t.Logf("told after %s that the daemon is lost", time.Since(began).Round(time.Second/10))
			tab.Axe()
			tab.Shoot("now-lost-" + size.Name)
			_, stop = serve(t, h, url, kim)
			tab.Await(`document.getElementById("lost").hidden && !document.querySelector(".oldmark") && !document.body.classList.contains("lost") && window.unmoved`)

			want := []string{"acknowledge low_flow/flow/trough-3-flow by kim", "cleaning started trough 5 by kim via page", "cleaning finished trough 5 by kim via page"}
			if got := strings.Join(h.asked, "; "); got != strings.Join(want, "; ") {
				t.Errorf("it was asked %s", got)
			}
		})
	}
}
