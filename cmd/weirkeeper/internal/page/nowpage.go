package page

import (
	"context"
	"crypto/rand"
	"errors"
	"net/http"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/status"
	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/site"
)

// Keeper is what the first page needs of the daemon. Those that change something
// word what was done.
type Keeper interface {
	// Status is nil until the first tick.
	Status() *status.Status
	// Health is "" while all is well with the daemon, else what is wrong.
	Health() string
	// AcknowledgeOnPage answers an alarm or, with key "", all that people have
	// been told of.
	AcknowledgeOnPage(ctx context.Context, key alarm.Key, by string) (string, error)
	ResetOnPage(ctx context.Context, key alarm.Key, by string) (string, error)
	// TakeAct takes an act of now, once for each ID.
	TakeAct(ctx context.Context, a act.Act) (string, error)
	// DoneHere records a chore as done now, once for each id.
	DoneHere(ctx context.Context, d site.ChoreDone, id string) (string, error)
}

// Bounds of a form, bytes, and of how long one waits for the keeper.
const (
	maxForm  = 4096
	patience = 10 * time.Second
)

// via is how what is done on the pages came, in the record.
const via = "page"

// Now serves the first page at / to browsers, what is done on it at /do/, and the
// news of it at /events.
type Now struct {
	keeper Keeper
	live   *Live
}

// NewNow makes the first page.
func NewNow(k Keeper, live *Live) *Now { return &Now{k, live} }

// Mount serves it beside the rest of the web side, which also answers at / whoever
// is not a browser.
func (n *Now) Mount(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Vary", "Accept")
		if !Wants(r) {
			rest.ServeHTTP(w, r)
			return
		}
		n.show(w, r)
	})
	mux.Handle("GET /static/", Static())
	mux.Handle("GET /events", n.live)
	for _, what := range []string{"acknowledge", "reset", "done", "clean", "resume"} {
		mux.HandleFunc("POST /do/"+what, func(w http.ResponseWriter, r *http.Request) { n.do(w, r, what) })
	}
	return mux
}

func (n *Now) show(w http.ResponseWriter, r *http.Request) {
	s := n.keeper.Status()
	if s == nil {
		Write(w, r, http.StatusServiceUnavailable, Page{Title: "now.title", Name: "starting", Live: true})
		return
	}
	Write(w, r, http.StatusOK, Page{Title: "now.title", Name: "now", Site: s.Site.Name, Data: makeNow(s, n.keeper.Health(), languageOf(w, r), rand.Text()), Live: true})
}

// do carries out a button.
func (n *Now) do(w http.ResponseWriter, r *http.Request, what string) {
	l := languageOf(w, r)
	who := access.From(r.Context())
	if who.Name == "" || who.Role < access.Work {
		http.Error(w, l.Text("now.noname"), http.StatusForbidden)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		status := http.StatusBadRequest
		if large := (*http.MaxBytesError)(nil); errors.As(err, &large) {
			status = http.StatusRequestEntityTooLarge
		}
		http.Error(w, "the form cannot be read: go back and load the page anew", status)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	said, err := n.carryOut(ctx, who, what, r.PostForm.Get)
	switch {
	case errors.Is(err, errNoSuch):
		http.NotFound(w, r)
		return
	case errors.Is(err, context.DeadlineExceeded):
		said = l.Text("now.slow")
	case err != nil:
		said = l.Text("now.notdone", err.Error())
	}
	Back(w, r, "/", said)
}

var errNoSuch = errors.New("page: there is no such thing to do")

func (n *Now) carryOut(ctx context.Context, who access.Who, what string, field func(string) string) (string, error) {
	// Each button of a page is told apart, so that one pressed twice counts once.
	id := strings.Join([]string{via, field("id"), what, field("what"), field("chore"), field("unit")}, "/")
	if what != "acknowledge" && what != "reset" && len(field("id")) < 10 {
		return "", &act.Refusal{Reason: "the page is too old; load it anew"}
	}
	a := act.Act{ID: id, By: who.Name, Via: via, Unit: field("unit")}
	switch what {
	case "acknowledge":
		return n.keeper.AcknowledgeOnPage(ctx, alarm.Key(field("alarm")), who.Name)
	case "reset":
		return n.keeper.ResetOnPage(ctx, alarm.Key(field("alarm")), who.Name)
	case "done":
		return n.keeper.DoneHere(ctx, site.ChoreDone{Chore: field("chore"), Unit: field("unit"), By: who.Name, Via: via}, id)
	case "resume":
		if who.Role < access.Manage {
			return "", &act.Refusal{Reason: "only who may manage ends a pause"}
		}
		a.Kind, a.Unit = act.Resumed, ""
		return n.keeper.TakeAct(ctx, a)
	case "clean":
		switch field("what") {
		case "start":
			a.Kind = act.CleaningStarted
		case "finish":
			a.Kind = act.CleaningFinished
		default:
			return "", errNoSuch
		}
		return n.keeper.TakeAct(ctx, a)
	}
	return "", errNoSuch
}
