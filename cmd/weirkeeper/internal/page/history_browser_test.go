package page

import (
	"context"
	"fmt"
	"math"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"weirkeeper/cmd/weirkeeper/internal/page/pagetest"
	"weirkeeper/ingest/ledger"
	"weirkeeper/rules/rulestest"
	"weirkeeper/rules/site"
)

// pastYear is pastDay and, of the spring, the year before it: a reading each six
// hours, none for three weeks of July.
func pastYear(tb testing.TB) *History {
	tb.Helper()
	h, l := pastDay(tb, func(s *site.Site) {
		for i := range s.Probes {
			if s.Probes[i].ID == "spring temperature" {
				s.Probes[i].Every = 6 * time.Hour
			}
		}
	})
	var b ledger.Batch
	for at := pastNow.AddDate(-1, 0, 0); at.Before(pastNow.AddDate(0, 0, -1)); at = at.Add(6 * time.Hour) {
		if at.Month() == time.July && at.Day() < 22 {
			continue
		}
		day := at.Sub(pastNow).Hours() / 24
		v := 8 - 2.5*math.Cos((day+300)*2*math.Pi/365) + 0.3*math.Sin(day*2*math.Pi) + 0.2*math.Sin(day*1.3)
		b.Readings = append(b.Readings, rulestest.Reading("spring temperature", at, v))
	}
	if _, err := l.Commit(tb.Context(), b); err != nil {
		tb.Fatal(err)
	}
	return h
}

// touch puts fingers on the screen, at a height, moves them, or takes all away.
func touch(tab *pagetest.Tab, kind input.DispatchTouchEventType, y float64, at ...float64) {
	points := []*input.TouchPoint{}
	for i, x := range at {
		id := float64(i)
		points = append(points, &input.TouchPoint{X: x, Y: y, ID: &id})
	}
	tab.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		return err
	}))
}

// TestHistoryInBrowser: a year, come closer and moved by keyboard, link, mouse and
// fingers; the words, the address and what is printed follow.
func TestHistoryInBrowser(t *testing.T) {
	h := pastYear(t)
	s := httptest.NewServer(h.Mount(Static()))
	defer s.Close()
	const (
		day  = 86400.0
		from = `Number(document.getElementById("history-plot").dataset.drawn?.split(" ")[0])`
		to   = `Number(document.getElementById("history-plot").dataset.drawn?.split(" ")[1])`
	)
	end := float64(pastNow.Unix())
	for _, size := range pagetest.Sizes() {
		t.Run(size.Name, func(t *testing.T) {
			tab := pagetest.Open(t, size)
			shows := func(first, last float64) {
				t.Helper()
				tab.Await(fmt.Sprintf(`Math.abs(%s - %f) < 120 && Math.abs(%s - %f) < 120`, from, first, to, last))
			}
			tab.Goto(s.URL + "/history?probe=spring+temperature&last=365d")
			shows(end-365*day, end)
			tab.Fits()
			tab.Axe()
			tab.Shoot("history-year-" + size.Name)

			key := func(keys string) { tab.Do(chromedp.Focus(chromedp.CSS("#history-plot")), chromedp.KeyEvent(keys)) }
			key("+")
			shows(end-365*day*0.75, end-365*day*0.25)
			key(kb.ArrowLeft)
			shows(end-365*day*0.85, end-365*day*0.35)
			key(kb.End)
			shows(end-365*day*0.5, end)
			tab.Click("#history-earlier")
			shows(end-365*day*0.75, end-365*day*0.25)

			// By hand, a third of the plot to the right.
			tab.Await(`document.querySelector(".u-over").scrollIntoView({block: "center"}) || true`)
			const box = `document.querySelector(".u-over").getBoundingClientRect()`
			x, y, w := tab.Number(box+".x"), tab.Number(box+".y")+50, tab.Number(box+".width")
			if size.Name == "desk" {
				tab.Do(chromedp.MouseEvent(chromedp.MousePressed, x+w/3, y, chromedp.ButtonLeft),
					chromedp.MouseEvent(chromedp.MouseMoved, x+w*2/3, y, chromedp.ButtonLeft), chromedp.MouseEvent(chromedp.MouseReleased, x+w*2/3, y, chromedp.ButtonLeft))
				shows(end-365*day*(0.75+0.5/3), end-365*day*(0.25+0.5/3))
			} else {
				touch(tab, input.DispatchTouchEventTypeTouchStart, y, x+w/3)
				for _, at := range []float64{x + w/2, x + w*2/3} {
					touch(tab, input.DispatchTouchEventTypeTouchMove, y, at)
				}
				touch(tab, input.DispatchTouchEventTypeTouchEnd, y)
				tab.Await(fmt.Sprintf("%s < %f", from, end-365*day*0.85)) // the first few pixels are not yet a drag
				before := tab.Number(to + "-" + from)
				mid := x + w/2
				touch(tab, input.DispatchTouchEventTypeTouchStart, y, mid-25, mid+25)
				for _, apart := range []float64{35, 50, 70} {
					touch(tab, input.DispatchTouchEventTypeTouchMove, y, mid-apart, mid+apart)
				}
				touch(tab, input.DispatchTouchEventTypeTouchEnd, y)
				tab.Await(fmt.Sprintf("%s - %s < %f", to, from, before*0.7))
				if after := tab.Number(to + "-" + from); after < before*0.25 {
					t.Errorf("two fingers nearly thrice as far apart: from %.0f days to %.0f", before/day, after/day)
				}
			}

			// The words, the address and what is printed follow.
			tab.Await(`((p) => p.dataset.fresh === p.dataset.drawn)(document.getElementById("history-plot"))`)
			tab.Await(`Math.abs(Date.parse(new URLSearchParams(location.search).get("from")) / 1000 - ` + from + `) < 2`)
			if got := tab.Text("#history-range"); strings.Contains(got, "21 Nov 2026") || strings.Contains(got, "21 Nov 2025") {
				t.Errorf("the range in words is still %q", got)
			}
			if tab.Number(`document.querySelector("#history-still svg").getAttribute("aria-label").includes("21 Nov 2026") ? 1 : 0`) != 0 {
				t.Error("what is printed is not what is shown")
			}

			// A day of probes of three kinds, with what happened.
			tab.Goto(s.URL + "/history?probe=trough+1+temperature&probe=spring+temperature&probe=trough+1+flow&probe=mains&last=24h")
			shows(end-day, end)
			tab.Do(chromedp.MouseEvent(chromedp.MouseMoved, x+w/3, tab.Number(box+".y")+50))
			tab.Await(`document.getElementById("history-readout").textContent.includes("spring temperature: ")`)
			if tab.Number(`getComputedStyle(document.querySelector(".still")).display === "none" ? 1 : 0`) == 0 {
				t.Error("the drawing for the printer is shown beside the plot")
			}
			tab.Do(chromedp.Click(chromedp.CSS("details.choose summary")))
			tab.Axe()
			tab.Fits()
			tab.Shoot("history-day-" + size.Name)
			if size.Name != "phone" {
				return
			}

			// Without script the drawing is there, and the links.
			tab.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
				_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
				return err
			}))
			tab.Goto(s.URL + "/history?probe=spring+temperature&probe=trough+1+flow")
			tab.Do(chromedp.Click(chromedp.CSS("#history-earlier")))
			if got, want := tab.Text("#history-range"), "20 Nov 2026, 06:00 to 21 Nov 2026, 06:00"; got != want {
				t.Errorf("%q, want %q", got, want)
			}
			tab.Shoot("history-without-script-phone")
		})
	}
}
