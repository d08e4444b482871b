package smtp_test

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/notify/smtp"
	"weirkeeper/notify/smtp/sink"
	"weirkeeper/rules/callout"
)

// The text comes first and whole, whatever becomes of the picture.
func TestAttach(t *testing.T) {
	picture := smtp.Attachment{Name: "flow\r\n.png", ContentType: "image/png", Data: bytes.Repeat([]byte{0, 1, 2, 0xff, '\r', '\n', '.'}, 3000)}
	release := make(chan struct{})
	gives := func(a ...smtp.Attachment) func(context.Context, callout.Message) []smtp.Attachment {
		return func(context.Context, callout.Message) []smtp.Attachment { return a }
	}
	want := []sink.File{{Name: "flow--.png", ContentType: "image/png", Inline: true, Data: picture.Data}}
	tests := []struct {
		name    string
		reason  callout.Reason
		attempt int
		attach  func(context.Context, callout.Message) []smtp.Attachment
		want    []sink.File
	}{
		{"with a picture", callout.First, 1, gives(picture), want},
		{"repeat", callout.Repeat, 1, gives(picture), want},
		{"back to normal", callout.Returned, 1, gives(picture), nil},
		{"drill", callout.Drill, 1, gives(picture), nil},
		{"second attempt", callout.First, 2, gives(picture), nil},
		{"none", callout.First, 1, gives(), nil},
		{"too large", callout.First, 1, gives(smtp.Attachment{Name: "a.png", ContentType: "image/png", Data: make([]byte, 1<<20)}), nil},
		{"panics", callout.First, 1, func(context.Context, callout.Message) []smtp.Attachment { panic("no colour") }, nil},
		{"never ready", callout.First, 1, func(context.Context, callout.Message) []smtp.Attachment { <-release; return nil }, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got box
			addr, _ := serve(t, sink.Options{Handle: got.put})
			opt := options(t, addr)
			opt.Mode, opt.User, opt.Attach = smtp.None, "", tt.attach
			m := message("a", "kim")
			m.Reason, m.Attempts = tt.reason, tt.attempt
			if _, err := mailer(t, opt).Deliver(t.Context(), m); err != nil {
				t.Fatal(err)
			}
			mail := got.all()[0]
			if strings.TrimRight(mail.Body, "\n") != strings.TrimRight(m.Text, "\n") || mail.MessageID != "<a@alderfork.example>" {
				t.Errorf("%s: body %q, want %q", mail.MessageID, mail.Body, m.Text)
			}
			if diff := cmp.Diff(tt.want, mail.Files); diff != "" {
				t.Errorf("files (-want +got):\n%s", diff)
			}
		})
	}
	close(release)
}
