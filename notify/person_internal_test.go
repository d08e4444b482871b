package notify

import (
	"errors"
	"fmt"
	"log/slog"
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/callout"
)

// TestPersonOrWay goes through outcomes and lists what is told: that a way does
// not carry messages, or that it carries those to others and one address is wrong.
func TestPersonOrWay(t *testing.T) {
	bad := errors.New("no")
	kim, rowan := callout.Reach{Way: callout.SMS, Address: "+447700900123"}, callout.Reach{Way: callout.SMS, Address: "+447700900456"}
	mail := callout.Reach{Way: callout.Email, Address: "kim@alderfork.example"}
	type outcome struct {
		who    callout.Reach
		person string
		err    error
	}
	ok := func(who callout.Reach) outcome { return outcome{who, "", nil} }
	for _, tt := range []struct {
		name     string
		outcomes []outcome
		want     []string
	}{
		{"all well", []outcome{ok(kim), ok(rowan)}, nil},
		{"one fails, and the others are not tried", []outcome{{kim, "kim", bad}, {kim, "kim", bad}}, []string{"1 sms false to kim: no"}},
		{
			"one fails, and the others are reached",
			[]outcome{{kim, "kim", bad}, ok(rowan), {kim, "kim", bad}, ok(kim)},
			[]string{"1 sms false to kim: no", "2 sms true text messages go out again", "2 person false text messages to kim: no", "4 person true everybody is reached again"},
		},
		{
			"one fails, then all",
			[]outcome{ok(rowan), {kim, "kim", bad}, {rowan, "rowan", bad}, ok(kim), ok(rowan)},
			[]string{"2 sms false to kim: no", "4 sms true text messages go out again", "4 person false text messages to rowan: no", "5 person true everybody is reached again"},
		},
		{
			"by another way", []outcome{{kim, "kim", bad}, ok(mail)}, []string{"1 sms false to kim: no"},
		},
		{
			"the outbox is every way",
			[]outcome{{outboxWrite, "", bad}, ok(kim), ok(outboxWrite)},
			[]string{"1 email false no", "1 sms false no", "3 email true mail goes out again", "3 sms true text messages go out again"},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			n := 0
			s := NewSender(SenderOptions{
				Log: slog.New(slog.DiscardHandler), Deliverers: map[callout.Way]Deliverer{callout.Email: nobody{}, callout.SMS: nobody{}},
				OnHealth: func(w callout.Way, ok bool, detail string) {
					got = append(got, fmt.Sprint(n, " ", w, " ", ok, " ", detail))
				},
				OnPerson: func(ok bool, detail string) { got = append(got, fmt.Sprint(n, " person ", ok, " ", detail)) },
			})
			for _, o := range tt.outcomes {
				n++
				s.healthOf(o.who, o.person, o.err)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

type nobody struct{ Deliverer }
