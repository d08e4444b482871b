package modem

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"weirkeeper/notify/sms/gsm"
)

const (
	// textLimit bounds one OnText.
	textLimit = 30 * time.Second
	// partsWait is how long the missing parts of a text are waited for.
	partsWait = 10 * time.Minute
	// sentMost is how many parts are remembered for their reports.
	sentMost = 512
)

// stored is a text in the store, or one part of it.
type stored struct {
	index int
	pdu   string
	incoming
}

// read reads the store and hands over what is there.
func (t *talk) read(ctx context.Context) error {
	got, err := t.do(ctx, t.m.opt.AnswerLimit, "AT+CMGL=4", "+CMGL:")
	if err != nil {
		if gone(err) {
			return err
		}
		return nil // the next poll
	}
	m := t.m
	here := map[string]bool{}
	var list []stored
	places := map[int]bool{}
	for _, a := range got {
		here[a.pdu] = true
		s, ok, err := t.confirm(ctx, a)
		if err != nil {
			return err
		}
		if ok && !places[s.index] {
			places[s.index] = true
			list = append(list, s)
		}
	}
	for p := range m.handed {
		if !here[p] {
			delete(m.handed, p)
		}
	}
	slices.SortStableFunc(list, func(a, b stored) int { return a.at.Compare(b.at) }) // places are used again
	groups := map[string][]stored{}
	var order []string
	for _, s := range list {
		key := s.pdu
		if p := s.content.Part; p.Total > 1 {
			key = fmt.Sprintf("%s/%s/%d/%v/%d", s.from, s.name, p.Ref, p.Wide, p.Total)
		}
		if groups[key] == nil {
			order = append(order, key)
		}
		groups[key] = append(groups[key], s)
	}
	for key := range m.firstSeen {
		if groups[key] == nil {
			delete(m.firstSeen, key)
		}
	}
	for _, key := range order {
		if err := t.take(ctx, key, groups[key]); err != nil {
			return err
		}
	}
	return nil
}

// confirm reads one place of the store once more. What is read the same twice was
// read right, and is in that place.
func (t *talk) confirm(ctx context.Context, a answer) (stored, bool, error) {
	f := fields(a.head)
	if len(f) < 4 || a.pdu == "" || f[1] != "0" && f[1] != "1" { // 2 and 3 are not received ones
		return stored{}, false, nil
	}
	index, ok := leadingNumber(f[0])
	if !ok {
		return stored{}, false, nil
	}
	got, err := t.do(ctx, t.m.opt.AnswerLimit, fmt.Sprintf("AT+CMGR=%d", index), "+CMGR:")
	if gone(err) {
		return stored{}, false, err
	}
	if err != nil || len(got) != 1 || got[0].pdu != a.pdu {
		return stored{}, false, nil //nolint:nilerr // it was counted, and the next poll reads it
	}
	s := stored{index: index, pdu: a.pdu}
	s.incoming, err = decode(a.pdu)
	if err != nil {
		t.m.opt.Count(TextUnreadable)
		t.m.opt.Log.Warn("text message cannot be read and is deleted", "err", err)
		return stored{}, false, t.erase(ctx, s)
	}
	return s, true, nil
}

// take hands over one text, whole or what there is of it after a while, and
// deletes it.
func (t *talk) take(ctx context.Context, key string, parts []stored) error {
	m := t.m
	first := parts[0]
	if first.report {
		m.report(first.incoming)
		return t.erase(ctx, first)
	}
	var text Text
	if first.content.Part.Total <= 1 {
		text = newText(first.incoming, first.at, first.content.Text)
	} else {
		slices.SortStableFunc(parts, func(a, b stored) int { return cmp.Compare(a.content.Part.Seq, b.content.Part.Seq) })
		// Another one of the same number is of another text, and waits for its turn.
		parts = slices.CompactFunc(parts, func(a, b stored) bool { return a.content.Part.Seq == b.content.Part.Seq })
		now := m.opt.Now()
		if m.firstSeen[key].IsZero() || now.Before(m.firstSeen[key]) {
			m.firstSeen[key] = now
		}
		st := m.State()
		full := st.StoreTotal > 0 && st.StoreUsed >= st.StoreTotal
		if len(parts) < first.content.Part.Total && now.Sub(m.firstSeen[key]) < partsWait && !full {
			return nil
		}
		text = newText(first.incoming, parts[0].at, joined(parts))
	}
	if slices.ContainsFunc(parts, func(s stored) bool { return !m.handed[s.pdu] }) {
		tctx, cancel := context.WithTimeout(ctx, textLimit)
		err := m.opt.OnText(tctx, text)
		cancel()
		if err != nil {
			m.opt.Log.Warn("text message waits in the modem", "text", text.ID, "err", err)
			return nil
		}
		m.opt.Count(TextReceived)
		for _, s := range parts {
			m.handed[s.pdu] = true
		}
	}
	for _, s := range parts {
		if err := t.erase(ctx, s); err != nil {
			return err
		}
	}
	return nil
}

// joined is the text of parts in order, with a mark where some are missing.
func joined(parts []stored) string {
	var b strings.Builder
	var run []gsm.Content
	for i, p := range parts {
		if c := p.content; c.Part.Seq != 1 && (i == 0 || c.Part.Seq != parts[i-1].content.Part.Seq+1) {
			b.WriteString(gsm.Join(run) + " [...] ")
			run = nil
		}
		run = append(run, p.content)
	}
	return b.String() + gsm.Join(run)
}

func newText(in incoming, at time.Time, body string) Text {
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %q %d %q", in.from, in.name, at.Unix(), body))
	return Text{ID: hex.EncodeToString(sum[:12]), From: in.from, Name: in.name, At: at.UTC(), Body: body}
}

// erase deletes a place of the store. When that is refused the next poll tries
// again.
func (t *talk) erase(ctx context.Context, s stored) error {
	_, err := t.do(ctx, t.m.opt.AnswerLimit, fmt.Sprintf("AT+CMGD=%d", s.index), "")
	if gone(err) {
		return err
	}
	if err == nil {
		delete(t.m.handed, s.pdu)
	}
	return nil
}

// readNews sees to what came unasked.
func (t *talk) readNews(ctx context.Context) error {
	news := t.news
	t.news = nil
	listed := false
	for _, a := range news {
		switch {
		case a.pdu != "":
			if err := t.direct(ctx, a); err != nil {
				return err
			}
		case strings.HasPrefix(a.head, "+CDSI:"):
			if err := t.readReport(ctx, fields(strings.TrimPrefix(a.head, "+CDSI:"))); err != nil {
				return err
			}
		case !listed:
			listed = true
			if t.m.State().SIM != SIMReady {
				continue
			}
			if err := t.store(ctx); err != nil {
				return err
			}
			if err := t.read(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// direct takes a PDU that did not go by the store.
func (t *talk) direct(ctx context.Context, a answer) error {
	in, err := decode(a.pdu)
	if err != nil {
		t.m.opt.Count(TextUnreadable)
		t.m.opt.Log.Warn("text message cannot be read", "err", err)
		return nil
	}
	if in.report {
		t.m.report(in)
		return nil
	}
	tctx, cancel := context.WithTimeout(ctx, textLimit)
	defer cancel()
	if err := t.m.opt.OnText(tctx, newText(in, in.at, in.content.Text)); err != nil {
		t.m.opt.Log.Error("text message is lost, since the modem does not store it", "err", err)
		return nil
	}
	t.m.opt.Count(TextReceived)
	return nil
}

// readReport reads a report in the store, which may be another one.
func (t *talk) readReport(ctx context.Context, f []string) error {
	if len(f) != 2 || !memory(f[0]) {
		return nil
	}
	index, ok := leadingNumber(f[1])
	if !ok {
		return nil
	}
	if err := t.try(ctx, `AT+CPMS="`+f[0]+`"`); err != nil {
		return err
	}
	got, err := t.do(ctx, t.m.opt.AnswerLimit, fmt.Sprintf("AT+CMGR=%d", index), "+CMGR:")
	switch {
	case gone(err):
		return err
	case err == nil && len(got) == 1 && got[0].pdu != "":
		in, derr := decode(got[0].pdu)
		if derr == nil && in.report {
			t.m.report(in)
			if err := t.erase(ctx, stored{index: index}); err != nil {
				return err
			}
		}
	}
	return t.store(ctx) // which sets the memory that is read
}

// sentPart is a part whose report is to come.
type sentPart struct {
	id, to string
	ref    int
}

// openReports is how many reports of a message are to come.
type openReports struct{ left int }

// expect remembers the parts of a message for their reports.
func (m *Modem) expect(id string, parts []sentPart) {
	for _, p := range parts {
		if p.ref < 0 {
			return
		}
	}
	// An earlier copy's reports do not count any more.
	m.forget(id)
	m.sent = append(m.sent, parts...)
	m.open[id] = &openReports{left: len(parts)}
	for len(m.sent) > sentMost {
		m.forget(m.sent[0].id)
	}
}

func (m *Modem) forget(id string) {
	m.sent = slices.DeleteFunc(m.sent, func(p sentPart) bool { return p.id == id })
	delete(m.open, id)
}

// report takes a delivery report. A message is delivered with its last part, and
// fails with the first that does.
func (m *Modem) report(in incoming) {
	if in.trying {
		return
	}
	for i := len(m.sent) - 1; i >= 0; i-- { // references come round: the newest
		p := m.sent[i]
		if p.ref != in.ref || !sameNumber(p.to, in.from) {
			continue
		}
		if !in.delivered {
			m.forget(p.id)
			m.opt.Count(ReportFailed)
			m.opt.OnReport(Report{ID: p.id, Words: in.words})
			return
		}
		m.sent = slices.Delete(m.sent, i, i+1)
		open := m.open[p.id]
		if open.left--; open.left == 0 {
			delete(m.open, p.id)
			m.opt.Count(ReportDelivered)
			m.opt.OnReport(Report{ID: p.id, Delivered: true, Words: in.words})
		}
		return
	}
	m.opt.Count(ReportUnexpected)
}

// sameNumber compares the last digits: a report may give the number in the
// national form.
func sameNumber(a, b string) bool {
	const digits = 7
	tail := func(s string) string { return s[max(0, len(s)-digits):] }
	return tail(a) == tail(b)
}
