package page

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/access"
	"weirkeeper/cmd/weirkeeper/internal/replay"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/lang"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/site"
	"weirkeeper/rules/tally"
)

// RuleRecord is what the page of the rules needs of the daemon.
type RuleRecord interface {
	// Program is the rules that run; nobody changes it.
	Program() *lang.Program
	// Tally is the statistics of alarms with from <= time < to.
	Tally(ctx context.Context, from, to time.Time) (tally.Tally, error)
	// Past is what was from a time on, or since the record began, up to another.
	// Its streams end with ctx.
	Past(ctx context.Context, from, to time.Time) (replay.Input, error)
}

const (
	// tallied is how far back the statistics of the rules go, days.
	tallied = 30
	// whatIfTime bounds one what-if, below the server's time for an answer.
	whatIfTime = 20 * time.Second
	// maxWhatIf bounds what its form sends, bytes.
	maxWhatIf = 4 << 10
	maxWeeks  = 4
	// maxShown is how many alarms of each side a what-if lists.
	maxShown = 100
)

// Rules serves the page of the rules to browsers. It changes nothing.
type Rules struct {
	record RuleRecord
	site   *site.Site
	now    func() time.Time
	one    chan struct{} // held by the what-if that runs
}

// NewRules makes the page of the rules of a site.
func NewRules(r RuleRecord, at *site.Site, now func() time.Time) *Rules {
	return &Rules{r, at, now, make(chan struct{}, 1)}
}

// Mount serves GET /rules to a browser, and POST /rules/what-if; all else goes to
// rest.
func (p *Rules) Mount(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/", rest)
	mux.HandleFunc("GET /rules", func(w http.ResponseWriter, r *http.Request) {
		if !Wants(r) {
			rest.ServeHTTP(w, r)
			return
		}
		p.list(w, r)
	})
	mux.HandleFunc("POST /rules/what-if", p.whatIf)
	return mux
}

func (p *Rules) list(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	now := p.now()
	t, err := p.record.Tally(ctx, now.AddDate(0, 0, -tallied), now)
	if err != nil {
		notGot(w, err)
		return
	}
	did := make(map[[2]string]*tally.Rule)
	for i := range t.Rules {
		x := &t.Rules[i]
		did[[2]string{string(x.Kind), x.Name}] = x
	}
	var all []shownRule
	prog := p.record.Program()
	for i := range prog.Rules {
		s := p.shown(&prog.Rules[i])
		if x := did[[2]string{s.Kind, s.Name}]; x != nil {
			s.Did, s.Answered, s.Worst = x, measure.FormatDuration(x.Median.Round(time.Second)), measure.FormatDuration(x.Worst.Round(time.Second))
		}
		all = append(all, s)
	}
	Write(w, r, http.StatusOK, Page{Title: "rules.title", Name: "rules", Site: p.site.Name, Data: struct {
		Now   time.Time
		Days  int
		Rules []shownRule
	}{now.In(p.site.Location), tallied, all}})
}

// whatIfPage is what a what-if shows.
type whatIfPage struct {
	Rule    shownRule
	Refused string // key of what is wrong with what was asked, "" for nothing
	Typed   string // the setpoint as it was typed
	Weeks   int
	// Ran: it was played; what follows counts then.
	Ran                 bool
	From, To            time.Time
	Readings            string
	NowAt, Otherwise    string // the two setpoints
	Before, After       whatIfSide
	AllBefore, AllAfter int // alarms of all rules together
}

// whatIfSide is the alarms that a rule would have raised.
type whatIfSide struct {
	Raised, Called int
	Alarms         []whatIfAlarm // the newest
	Left           int           // older ones that are not listed
}

type whatIfAlarm struct {
	At             time.Time
	Where, Lasted  string
	Called, Stands bool
}

// whatIf plays the record to the running rules and to the same with one number
// changed.
func (p *Rules) whatIf(w http.ResponseWriter, r *http.Request) {
	plain := func(status int, text string) {
		Harden(w.Header())
		http.Error(w, text, status)
	}
	if access.From(r.Context()).Role < access.Work {
		plain(http.StatusForbidden, "sign in as somebody who works here")
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxWhatIf)
	if err := r.ParseForm(); err != nil {
		plain(http.StatusBadRequest, "the form cannot be read: "+err.Error())
		return
	}
	prog, at := p.record.Program(), -1
	for i := range prog.Rules {
		if x := &prog.Rules[i]; string(x.Kind) == r.PostForm.Get("kind") && x.Name == r.PostForm.Get("rule") {
			at = i
		}
	}
	if at < 0 {
		plain(http.StatusNotFound, "no rule of this kind and name runs; they may have been read anew: load the page of the rules again")
		return
	}
	rule := &prog.Rules[at]
	data := whatIfPage{Rule: p.shown(rule), Typed: r.PostForm.Get("setpoint")}
	status := p.play(r, prog, rule, &data)
	Write(w, r, status, Page{Title: "rules.whatif", Name: "whatif", Site: p.site.Name, Data: data})
}

// play fills in what came of it, or why it was refused; the status says which.
func (p *Rules) play(r *http.Request, prog *lang.Program, rule *lang.Rule, data *whatIfPage) int {
	refuse := func(status int, key string) int {
		data.Refused = key
		return status
	}
	weeks, err := strconv.Atoi(r.PostForm.Get("weeks"))
	if err != nil || weeks < 1 || weeks > maxWeeks {
		data.Weeks = 1
		return refuse(http.StatusUnprocessableEntity, "rules.badweeks")
	}
	data.Weeks = weeks
	d, ok := p.dial(rule)
	if !ok {
		return refuse(http.StatusUnprocessableEntity, "rules.nosetpoint")
	}
	v, fault := d.read(data.Typed, rule, p.site)
	if fault != "" {
		return refuse(http.StatusUnprocessableEntity, fault)
	}
	select {
	case p.one <- struct{}{}:
		defer func() { <-p.one }()
	default:
		return refuse(http.StatusTooManyRequests, "rules.busy")
	}
	ctx, cancel := context.WithTimeout(r.Context(), whatIfTime)
	defer cancel()
	now := p.now()
	in, err := p.record.Past(ctx, now.AddDate(0, 0, -7*weeks), now)
	var played replay.Played
	var results []replay.Result
	if err == nil {
		played, results, err = replay.Run(ctx, in, false, prog, changed(prog, rule, d, v))
	}
	switch {
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		return refuse(http.StatusServiceUnavailable, "rules.toolong")
	case err != nil:
		return refuse(http.StatusInternalServerError, "rules.failed")
	case played.Readings == 0:
		return refuse(http.StatusUnprocessableEntity, "rules.noreadings")
	}
	data.Ran = true
	data.From, data.To, data.Readings = played.From.In(p.site.Location), played.To.In(p.site.Location), measure.Group(played.Readings)
	data.NowAt, data.Otherwise = d.format(d.value), d.format(v)
	data.Before, data.After = p.side(&results[0], rule, played.To), p.side(&results[1], rule, played.To)
	data.AllBefore, data.AllAfter = len(results[0].Occurrences), len(results[1].Occurrences)
	return http.StatusOK
}

// side is what one result holds of a rule.
func (p *Rules) side(res *replay.Result, rule *lang.Rule, to time.Time) (s whatIfSide) {
	for i := len(res.Occurrences) - 1; i >= 0; i-- {
		o := &res.Occurrences[i]
		if o.Raised.Kind != rule.Kind || o.Raised.Rule != rule.Name {
			continue
		}
		if s.Raised++; o.Called {
			s.Called++
		}
		if len(s.Alarms) == maxShown {
			s.Left++
			continue
		}
		s.Alarms = append(s.Alarms, whatIfAlarm{
			At: o.Raised.At.In(p.site.Location), Where: o.Raised.Unit, Lasted: measure.FormatDuration(o.Lasted(to).Round(time.Second)),
			Called: o.Called, Stands: o.Returned.IsZero(),
		})
	}
	return s
}

// changed is the program with one number of one of its rules changed. The
// program itself stays as it is: it runs.
func changed(prog *lang.Program, rule *lang.Rule, d dial, v float64) *lang.Program {
	other := &lang.Program{Rules: make([]lang.Rule, len(prog.Rules))}
	for i := range prog.Rules {
		other.Rules[i] = prog.Rules[i]
		if &prog.Rules[i] == rule {
			d.set(&other.Rules[i], v)
		}
	}
	return other
}

// byDistance reports whether the one number of a kind is a distance.
func byDistance(k alarm.Kind) bool { return k == alarm.TemperatureDrift || k == alarm.FromSpring }
