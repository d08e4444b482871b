package smtp_test

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"weirkeeper/notify"
	"weirkeeper/notify/smtp/smtptest"
)

// What each way of going wrong means at each phase: permanent only when the
// server said so of this mail, unknown only once the text is under way.
func TestFaults(t *testing.T) {
	server, pool := certificate(t)
	run := func(t *testing.T, f smtptest.Fault) (*smtptest.Server, error) {
		t.Helper()
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		s, err := smtptest.Start(smtptest.Options{
			TLS: server, User: "weir", Password: "s3cret", Plan: func() smtptest.Fault { return f },
			OnFault: func(f smtptest.Fault) {
				if f.Stall { // the delivery's time is over
					cancel()
				}
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(s.Close)
		opt := options(t, s.Addr())
		opt.RootCAs = pool
		_, err = mailer(t, opt).Deliver(ctx, message("a", "kim"))
		return s, err
	}
	t.Run("none", func(t *testing.T) {
		s, err := run(t, smtptest.Fault{})
		if err != nil || len(s.Mails()) != 1 || s.Mails()[0].MessageID != "<a@alderfork.example>" || s.Mails()[0].To != "kim@alderfork.example" {
			t.Errorf("%v, %+v, want one mail to kim", err, s.Mails())
		}
	})
	for i, at := range smtptest.Phases() {
		for _, f := range []smtptest.Fault{{At: at, Code: 451}, {At: at, Code: 554}, {At: at}, {At: at, Stall: true}} {
			if f.Code != 0 && at == smtptest.Text {
				continue // no answer is due there
			}
			t.Run(fmt.Sprintf("%s code %d stall %v", at, f.Code, f.Stall), func(t *testing.T) {
				s, err := run(t, f)
				if s.Hits()[f] == 0 {
					t.Fatal("the mail did not come to the fault")
				}
				var e *notify.DeliveryError
				if !errors.As(err, &e) {
					t.Fatalf("%v, want a DeliveryError", err)
				}
				ofThisMail := i >= 4 // from MAIL on
				if want := f.Code == 554 && ofThisMail; e.Permanent != want {
					t.Errorf("permanent %v, want %v: %v", e.Permanent, want, e)
				}
				if want := f.Code == 0 && (at == smtptest.Text || at == smtptest.Dot); e.Unknown != want {
					t.Errorf("unknown %v, want %v: %v", e.Unknown, want, e)
				}
			})
		}
	}
}
