package smtp

import (
	"bytes"
	"context"
	"fmt"
	"net/textproto"
	"time"

	gomail "github.com/wneessen/go-mail"

	"weirkeeper/rules/callout"
)

// Attachment is a small file in a mail, shown below its text by programs that
// can.
type Attachment struct {
	// Name is the file's, "flow.png"; ContentType says what it is, "image/png".
	Name, ContentType string
	Data              []byte
}

const (
	// attachTime is how long a mail waits for what is attached to it.
	attachTime = 2 * time.Second
	// mostAttached bounds all of it, in bytes.
	mostAttached = 256 << 10
)

// attachments asks for what goes with a call-out, and gives none when anything
// is amiss: the text matters, and it goes at once.
func (s *Mailer) attachments(ctx context.Context, m callout.Message) []Attachment {
	if s.opt.Attach == nil || m.Attempts > 1 || m.Reason != callout.First && m.Reason != callout.Repeat {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, attachTime)
	defer cancel()
	done := make(chan []Attachment, 1)
	go func() {
		var all []Attachment
		defer func() {
			if r := recover(); r != nil { // a drawing must not keep a call-out
				s.opt.Log.Error("attachment failed, mail goes without", "component", "smtp", "message", m.ID, "err", fmt.Sprint(r))
				all = nil
			}
			done <- all
		}()
		all = s.opt.Attach(ctx, m)
	}()
	var all []Attachment
	select {
	case all = <-done:
	case <-ctx.Done():
		s.opt.Log.Warn("attachment too late, mail goes without", "component", "smtp", "message", m.ID)
	}
	size := 0
	for _, a := range all {
		size += len(a.Data)
	}
	if size > mostAttached {
		s.opt.Log.Warn("attachment too large, mail goes without", "component", "smtp", "message", m.ID, "bytes", size)
		return nil
	}
	return all
}

// addTo puts a after the text, to be shown in its place (RFC 2183, inline).
func (a Attachment) addTo(msg *gomail.Msg) {
	name := idPart(a.Name)
	msg.AttachReadSeeker(name, bytes.NewReader(a.Data), func(f *gomail.File) {
		if f.Header == nil {
			f.Header = textproto.MIMEHeader{}
		}
		f.Header.Set("Content-Type", fmt.Sprintf("%s; name=%q", oneLine(a.ContentType), name))
		f.Header.Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", name))
		f.Header.Set("Content-ID", "<"+name+">")
	})
}
