package daemon

import (
	"bytes"
	"context"
	"iter"
	"log/slog"
	"slices"
	"strings"
	"time"

	"weirkeeper/cmd/weirkeeper/internal/plot"
	"weirkeeper/notify/smtp"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// pictured is how far back the picture in a mail goes.
const pictured = 6 * time.Hour

// artist draws the last hours of the probe that a call-out is about.
type artist struct {
	site     *site.Site
	standing func(context.Context) ([]alarm.Transition, error)
	readings func(ctx context.Context, probe reading.ProbeID, from, to time.Time) iter.Seq2[reading.Reading, error]
	now      func() time.Time
	log      *slog.Logger
}

// attach is smtp.Options.Attach: the picture of the first alarm of m that one
// can be drawn of, or none.
func (a *artist) attach(ctx context.Context, m callout.Message) []smtp.Attachment {
	standing, err := a.standing(ctx)
	if err != nil {
		a.log.Warn("no picture in the mail", "message", m.ID, "err", err)
		return nil
	}
	for _, key := range m.Alarms {
		i := slices.IndexFunc(standing, func(t alarm.Transition) bool { return t.Key == key && t.To.Active() })
		if i < 0 {
			continue
		}
		p, ok := a.site.Probe(standing[i].Probe)
		if !ok || p.Quantity == reading.Contact {
			continue
		}
		var b bytes.Buffer
		s, err := a.series(ctx, p, standing[i])
		if err == nil {
			err = plot.PNG(&b, s)
		}
		if err != nil {
			a.log.Info("no picture in the mail", "message", m.ID, "probe", p.ID, "err", err)
			continue
		}
		return []smtp.Attachment{{Name: "last-6-hours.png", ContentType: "image/png", Data: b.Bytes()}}
	}
	return nil
}

func (a *artist) series(ctx context.Context, p *site.Probe, t alarm.Transition) (plot.Series, error) {
	now := a.now()
	s := plot.Series{
		Title: measure.Capital(p.At) + ": " + p.Quantity.String(), Unit: a.site.ShowUnit(p.Quantity),
		From: now.Add(-pictured), To: now, Location: a.site.Location,
		Gap: 3*p.Every + time.Second, // a reading missed, and the next one late
	}
	if t.Raised() {
		s.Raised = t.At
	}
	if v, ok := setpoint(t.Detail, p.Quantity); ok {
		s.Setpoints = []float64{v}
	}
	for r, err := range a.readings(ctx, p.ID, s.From, now.Add(time.Microsecond)) {
		if err != nil {
			return s, err
		}
		if r.Usable() {
			s.Points = append(s.Points, plot.Point{At: r.At, Value: r.Value})
		}
	}
	return s, nil
}

// setpoint reads back the setpoint that held at a transition from its words,
// "11.2 L/min, setpoint 28 L/min", in the base unit of q. It is not ok where it
// is one of another dimension.
func setpoint(detail string, q reading.Quantity) (float64, bool) {
	_, words, found := strings.Cut(detail, ", setpoint ")
	if i := strings.IndexAny(words, ",;("); i >= 0 {
		words = words[:i]
	}
	amount, err := measure.Parse(words)
	if !found || err != nil || amount.Unit.Dimension() != q.Dimension() {
		return 0, false
	}
	return amount.Base(), true
}
