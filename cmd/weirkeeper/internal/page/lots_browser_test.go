package page

import (
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/page/pagetest"
	"weirkeeper/rules/lot/book"
)

// TestLotsInBrowser enters a hatch on a lot's page, corrects it, and prints the
// day; every page on the way is looked at. 320 px is the width that WCAG 2.2 asks
// for (success criterion 1.4.10).
func TestLotsInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser is slow")
	}
	judged := map[string]bool{}
	for _, size := range append(pagetest.Sizes(), pagetest.Size{Name: "narrow", Width: 320, Height: 640}) {
		t.Run(size.Name, func(t *testing.T) {
			k, d := newShop(t), newDay(t, "")
			s := httptest.NewServer(signedIn("kim", access.Work, NewJournal(d, d.site, func() time.Time { return journalNow }).Mount(lotsHandler(k, access.Work))))
			t.Cleanup(s.Close)
			_, rulePages := newRuleShelf().handler(access.Work)
			ruleServer := httptest.NewServer(rulePages)
			t.Cleanup(ruleServer.Close)
			tab := pagetest.Open(t, size)
			look := func(name string) {
				t.Helper()
				tab.Await(`document.readyState == "complete"`)
				tab.Fits()
				if size.Name == "narrow" || judged[size.Name+name] {
					return
				}
				judged[size.Name+name] = true
				tab.Shoot("lots-" + name + "-" + size.Name)
				tab.Axe()
			}
			write := func(field, value string) {
				t.Helper()
				tab.Await(fmt.Sprintf("document.querySelector('#f-%s')", field))
				tab.Do(chromedp.SetValue(chromedp.CSS("#f-"+field), value))
				tab.Click("form.entry button.first")
			}
			last := func(want string) {
				t.Helper()
				if got := k.entries[len(k.entries)-1].Words(); got != want {
					t.Fatalf("written: %s, want %s", got, want)
				}
			}

			tab.Goto(s.URL + "/lots")
			look("board")
			tab.Click("article h2 a")
			tab.Await(`document.querySelector(".record")`)
			tab.Click(`.write a[href*="kind=eyed"]`)
			write("when", "2026-11-14T08:30")
			tab.Await(`document.querySelector('.write a[href*="kind=hatched"]')`)
			last("eyed")
			tab.Click(`.write a[href*="kind=hatched"]`)
			write("when", "2026-12-24T08:30")
			tab.Await(`document.querySelector("#refused")`)
			look("refused")
			last("eyed")
			write("when", "2026-11-20T07:40")
			tab.Await(`document.querySelector(".record")`)
			last("first hatch")
			look("lot")
			seq := k.entries[len(k.entries)-1].Seq
			tab.Click(fmt.Sprintf(`.record a[href*="kind=hatched"][href*="corrects=%d"]`, seq))
			tab.Await(`document.querySelector("#f-part")`)
			look("refused")
			write("part", string(book.Half))
			tab.Await(`document.querySelector(".record")`)
			last(fmt.Sprintf("in place of entry %d: half hatched", seq))
			if text := tab.Text(".record"); !strings.Contains(text, fmt.Sprintf("first hatch (replaced by %d)", seq+1)) {
				t.Errorf("the record does not show what was corrected:\n%s", text)
			}
			tab.Goto(s.URL + "/open-lot")
			look("open")
			tab.Goto(s.URL + "/journal/2026-11-20")
			look("journal")
			tab.Goto(s.URL + "/round")
			look("round")
			tab.Goto(ruleServer.URL + "/rules")
			tab.Click("details summary")
			look("rules")
			tab.Do(chromedp.SetValue(chromedp.CSS("#setpoint-0"), "35"))
			tab.Click("details button")
			tab.Await(`document.querySelectorAll(".rows li").length == 1`)
			look("whatif")
			tab.Goto(s.URL + "/journal/2026-11-20/record")
			look("record")
			for name, paper := range map[string]chromedp.PaperSize{"a4": chromedp.PaperA4, "letter": chromedp.PaperLetter} {
				pdf, err := chromedp.Run(tab.Ctx, chromedp.PrintToPDF(chromedp.PDFPaper(paper), chromedp.PDFPreferCSSPageSize()))
				if err != nil {
					t.Fatal(err)
				}
				if n := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1)); n != 1 {
					t.Errorf("the daily record takes %d pages of %s, want 1", n, name)
				}
				if err := os.WriteFile(filepath.Join("..", "..", "..", "..", ".screenshots", "record-"+name+".pdf"), pdf, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}
