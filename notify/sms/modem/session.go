package modem

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"weirkeeper/notify"
)

const (
	// resetAfter is how long without a network, or refusedMost how many refused
	// messages in a row, before the modem is reset, at most once in resetEvery
	// (common practice, no source).
	resetAfter  = 10 * time.Minute
	resetEvery  = 30 * time.Minute
	refusedMost = 3
)

// session opens the port and serves until it is of no more use. The error is
// never nil.
func (m *Modem) session(ctx context.Context) error {
	port, err := m.opt.Open(ctx)
	if err != nil {
		return err
	}
	// No goroutine of a port outlives it.
	ctx, cancel := context.WithCancel(ctx)
	t := &talk{wire: newWire(port), m: m}
	tick, ticking := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ticking)
		for m.opt.Wait(ctx, m.opt.Poll) == nil {
			select {
			case tick <- struct{}{}:
			case <-ctx.Done():
				return
			}
		}
	}()
	defer func() {
		cancel()
		t.close()
		<-ticking
	}()

	if err := t.wake(ctx); err != nil {
		return err
	}
	m.ready = true
	m.change(func(s *State) { s.Port, s.LastError = true, "" })
	m.opt.Log.Info("modem answers")
	err = t.poll(ctx)
	for err == nil {
		t.settle()
		if len(t.news) > 0 {
			err = t.readNews(ctx)
			continue
		}
		select {
		case line := <-t.in:
			t.unsolicited(line)
		case <-ctx.Done():
			err = ctx.Err()
		case <-t.dead:
			err = fmt.Errorf("the port is gone: %w", t.err)
		case <-tick:
			err = t.poll(ctx)
		case j := <-m.jobs:
			err = t.serve(ctx, j)
		}
	}
	return err
}

// try gives a command whose refusal matters to nobody.
func (t *talk) try(ctx context.Context, command string) error {
	_, err := t.do(ctx, t.m.opt.AnswerLimit, command, "")
	if gone(err) {
		return err
	}
	return nil
}

// query gives a command and the last line of its answer, "" when there is none.
func (t *talk) query(ctx context.Context, command, want string) (string, error) {
	got, err := t.do(ctx, t.m.opt.AnswerLimit, command, want)
	if err != nil || len(got) == 0 {
		return "", err
	}
	return got[len(got)-1].head, nil
}

// wake brings the modem in step. The escape ends a prompt that was left open.
func (t *talk) wake(ctx context.Context) error {
	if err := t.resync(ctx); err != nil {
		return err
	}
	return t.setUp(ctx)
}

// setUp sets what a reset forgets.
func (t *talk) setUp(ctx context.Context) error {
	for _, command := range []string{
		"ATE0",      // no echo
		"AT+CMEE=1", // errors as numbers
		"AT+CMGF=0", // PDUs
	} {
		if err := t.try(ctx, command); err != nil {
			return err
		}
	}
	return nil
}

// poll asks how all is, and reads what came in. An error ends the session.
func (t *talk) poll(ctx context.Context) error {
	if err := t.setUp(ctx); err != nil {
		return err
	}
	if err := t.sim(ctx); err != nil {
		return err
	}
	if t.m.State().SIM != SIMReady {
		return nil
	}
	if err := t.announce(ctx); err != nil {
		return err
	}
	if err := t.network(ctx); err != nil {
		return err
	}
	if err := t.signal(ctx); err != nil {
		return err
	}
	if err := t.store(ctx); err != nil {
		return err
	}
	if err := t.read(ctx); err != nil {
		return err
	}
	m := t.m
	if now := m.opt.Now(); !m.noNetwork.IsZero() && now.Sub(m.noNetwork) >= resetAfter {
		return t.reset(ctx, "no network for long")
	}
	return nil
}

// reset starts the modem anew (TS 27.007 clause 8.2), unless that was done a short
// while ago. Its error ends the session.
func (t *talk) reset(ctx context.Context, why string) error {
	m := t.m
	if now := m.opt.Now(); !m.lastReset.IsZero() && now.Sub(m.lastReset) < resetEvery && !now.Before(m.lastReset) {
		return nil
	}
	m.lastReset, m.refused = m.opt.Now(), 0
	m.opt.Count(Reset)
	m.opt.Log.Warn("modem is reset", "why", why)
	if err := t.try(ctx, "AT+CFUN=1,1"); err != nil {
		return err
	}
	return &goneError{errors.New("it was reset: " + why)}
}

// sim asks for the SIM and gives the PIN where it is wanted.
func (t *talk) sim(ctx context.Context) error {
	m := t.m
	set := func(s SIM) {
		m.change(func(st *State) {
			if st.SIM = s; s != SIMReady {
				st.Network, st.SignalDBm, st.StoreUsed, st.StoreTotal = NetworkUnknown, 0, 0, 0
			}
		})
	}
	// A SIM may be busy for a while, and an answer be lost.
	unclear := func() {
		if m.unclear++; m.unclear >= 3 {
			set(SIMFailed)
		}
	}
	for range 2 {
		said, err := t.query(ctx, "AT+CPIN?", "+CPIN:")
		var r *refusal
		switch {
		case gone(err):
			return err
		case errors.As(err, &r):
			switch {
			case r.is(cme, 10), r.is(cms, 310):
				set(SIMMissing)
			case r.is(cme, 12), r.is(cms, 316):
				set(PUKWanted)
			case r.is(cme, 13, 15), r.is(cms, 313, 315):
				set(SIMFailed)
			default:
				unclear()
			}
			return nil
		case err != nil:
			unclear()
			return nil //nolint:nilerr // it was counted, and the next poll asks again
		case said == "READY":
			m.pinTried, m.unclear = false, 0
			if m.opt.PIN != "" {
				if err := pinFile(m.opt.PINFile).taken(); err != nil {
					m.opt.Log.Warn("old note about the SIM's PIN stays", "err", err)
				}
			}
			set(SIMReady)
			return nil
		case said == "SIM PUK" || said == "PH-SIM PUK":
			set(PUKWanted)
			return nil
		case said != "SIM PIN": // garbled, or a lock that we cannot open
			unclear()
			return nil
		case m.opt.PIN == "":
			set(PINWanted)
			return nil
		case m.pinTried:
			set(PINRefused)
			return nil
		}
		m.pinTried = true // before it is given: who knows what follows
		spent := pinFile(m.opt.PINFile)
		may, err := spent.try(m.opt.PIN)
		if err != nil {
			m.opt.Log.Error("what becomes of the SIM's PIN is not remembered over a restart", "err", err)
		}
		if !may {
			m.opt.Log.Error("the SIM did not take this PIN before, and it is not given again; correct it, or remove the file to have it tried", "file", m.opt.PINFile)
			set(PINRefused)
			return nil
		}
		_, err = t.do(ctx, t.m.opt.AnswerLimit, `AT+CPIN="`+m.opt.PIN+`"`, "")
		if gone(err) {
			return err
		}
		if err != nil {
			m.opt.Log.Error("SIM did not take the PIN, it is not tried again", "err", err)
		}
		// Whether it was wrong is not said by a SIM that is busy, say.
		if errors.As(err, &r) && (r.code < 0 || r.is(cme, 16)) {
			if err := spent.refused(m.opt.PIN); err != nil {
				m.opt.Log.Error("refused PIN is not remembered over a restart", "err", err)
			}
		}
	}
	return nil
}

// announce asks that texts go to the store and are announced, and that reports
// come directly, or by the store, or not at all (TS 27.005 clause 3.4.1).
func (t *talk) announce(ctx context.Context) error {
	if err := t.try(ctx, "AT+CSMS=0"); err != nil {
		return err
	}
	for _, command := range []string{"AT+CNMI=2,1,0,1,0", "AT+CNMI=2,1,0,2,0", "AT+CNMI=2,1,0,0,0", "AT+CNMI=1,1,0,0,0"} {
		_, err := t.do(ctx, t.m.opt.AnswerLimit, command, "")
		if gone(err) {
			return err
		}
		if err == nil {
			return nil
		}
	}
	return nil // polls find the texts
}

// network asks for the registration, of circuit-switched and of LTE service.
func (t *talk) network(ctx context.Context) error {
	best := NetworkUnknown
	for _, q := range []string{"CREG", "CEREG"} {
		said, err := t.query(ctx, "AT+"+q+"?", "+"+q+":")
		if gone(err) {
			return err
		}
		if f := fields(said); len(f) >= 2 {
			best = better(best, registration(f[1]))
		}
	}
	if best == NetworkUnknown {
		return nil // not said: as before
	}
	m := t.m
	switch {
	case best.Registered():
		m.noNetwork = time.Time{}
	case m.noNetwork.IsZero():
		m.noNetwork = m.opt.Now()
	}
	m.change(func(s *State) { s.Network = best })
	return nil
}

// registration reads <stat> of +CREG and +CEREG; 6 and 7 are registered for text
// messages only.
func registration(stat string) Network {
	switch stat {
	case "0":
		return NotSearching
	case "1", "6":
		return Home
	case "5", "7":
		return Roaming
	case "2", "4": // 4 is out of coverage, or not known
		return Searching
	case "3":
		return Denied
	}
	return NetworkUnknown
}

func better(a, b Network) Network {
	for _, n := range []Network{Home, Roaming, Searching, Denied, NotSearching} {
		if a == n || b == n {
			return n
		}
	}
	return NetworkUnknown
}

// signal asks for the signal: 0 to 31 are -113 to -51 dBm (TS 27.007 clause 8.5).
func (t *talk) signal(ctx context.Context) error {
	said, err := t.query(ctx, "AT+CSQ", "+CSQ:")
	if gone(err) {
		return err
	}
	dBm := 0
	if n, ok := leadingNumber(said); ok && n <= 31 {
		dBm = -113 + 2*n
	}
	t.m.change(func(s *State) { s.SignalDBm = dBm })
	return nil
}

// store asks how full the memory for received texts is, the third, and makes it
// the one that is read, the first (TS 27.005 clause 3.2.2).
func (t *talk) store(ctx context.Context) error {
	said, err := t.query(ctx, "AT+CPMS?", "+CPMS:")
	if gone(err) {
		return err
	}
	f := fields(said)
	if len(f) != 9 {
		return nil
	}
	used, uerr := strconv.Atoi(f[7])
	total, terr := strconv.Atoi(f[8])
	if uerr == nil && terr == nil && used >= 0 && total >= 0 {
		t.m.change(func(s *State) { s.StoreUsed, s.StoreTotal = used, total })
	}
	if f[0] == f[6] || !memory(f[6]) {
		return nil
	}
	return t.try(ctx, `AT+CPMS="`+f[6]+`"`)
}

func memory(s string) bool {
	if len(s) != 2 {
		return false
	}
	return 'A' <= s[0] && s[0] <= 'Z' && 'A' <= s[1] && s[1] <= 'Z'
}

// fields splits what commas separate, without quotes and blanks.
func fields(s string) []string {
	if s == "" {
		return nil
	}
	f := strings.Split(s, ",")
	for i := range f {
		f[i] = strings.Trim(f[i], ` "`)
	}
	return f
}

// serve sends a message, and answers the job. Its error ends the session.
func (t *talk) serve(ctx context.Context, j *job) error {
	m := t.m
	if st := m.State(); st.SIM != SIMReady {
		if err := t.sim(ctx); err != nil {
			j.done <- &notify.DeliveryError{Err: err}
			return err
		}
	}
	if st := m.State(); st.SIM == SIMReady && !st.Network.Registered() {
		if err := t.network(ctx); err != nil {
			j.done <- &notify.DeliveryError{Err: err}
			return err
		}
	}
	// Where the modem does not say how it stands with the network, trying shows.
	if st := m.State(); st.SIM != SIMReady || st.Network != NetworkUnknown && !st.Network.Registered() {
		j.done <- m.notNow()
		return nil
	}
	jctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(j.ctx, cancel)() //nolint:contextcheck // the end of either ends it
	parts := make([]sentPart, 0, len(j.parts))
	for i, p := range j.parts {
		ref, unknown, err := t.send(jctx, ctx, p)
		if err == nil {
			m.opt.Count(TextSent)
			parts = append(parts, sentPart{id: j.id, to: p.to, ref: ref})
			if t.end == nil || i == len(j.parts)-1 {
				continue
			}
			err = t.end
		}
		if len(j.parts) > 1 {
			err = fmt.Errorf("part %d of %d: %w", i+1, len(j.parts), err)
		}
		var r *refusal
		permanent := errors.As(err, &r) && r.is(cms, 1, 28)
		m.change(func(s *State) { s.LastError = err.Error() })
		// Earlier parts have arrived.
		j.done <- &notify.DeliveryError{Err: err, Permanent: permanent, Unknown: unknown || i > 0}
		return t.afterRefusal(ctx, r, permanent)
	}
	m.refused = 0
	m.expect(j.id, parts)
	m.change(func(s *State) { s.LastError = "" })
	j.done <- nil
	return t.end
}

// afterRefusal sees to what a message that was not sent may point to.
func (t *talk) afterRefusal(ctx context.Context, r *refusal, permanent bool) error {
	switch {
	case t.end != nil:
		return t.end
	case permanent || r == nil:
		return nil
	case r.is(cms, 322), r.is(cme, 20): // full: reading makes room
		return t.poll(ctx)
	case r.is(cms, 310, 311, 313, 316, 331), r.is(cme, 10, 11, 12, 13, 30):
		if err := t.sim(ctx); err != nil {
			return err
		}
		return t.network(ctx)
	}
	if t.m.refused++; t.m.refused >= refusedMost {
		return t.reset(ctx, "it refuses messages")
	}
	return nil
}
