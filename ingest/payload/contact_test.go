package payload_test

import (
	"testing"

	"weirkeeper/ingest/payload"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

func TestContact(t *testing.T) {
	plain := []site.Probe{{ID: "a", Quantity: reading.Contact, Topic: "t", Format: site.Number}}
	check(t, plain, []run{
		{name: "1", payload: "1", want: a(1)},
		{name: "0", payload: " 0\n", want: a(0)},
		{name: "a number as some write it", payload: "1.0", want: a(1)},
		{name: "ON", payload: "ON", want: a(1)},
		{name: "off", payload: "off", want: a(0)},
		{name: "Closed", payload: "Closed", want: a(1)},
		{name: "OPEN", payload: "OPEN", want: a(0)},
		{name: "true", payload: "true", want: a(1)},
		{name: "false", payload: "false", want: a(0)},
		{name: "half", payload: "0.5", errs: []string{"\"0.5\" is neither open nor closed; send one of 0, 1, off, on"}},
		{name: "another word", payload: "unknown", errs: []string{"neither open nor closed"}},
		{name: "empty", payload: "", errs: []string{"neither open nor closed"}},
	})
	inverted := []site.Probe{{ID: "a", Quantity: reading.Contact, Topic: "t", Format: site.Number, Inverted: true}}
	check(t, inverted, []run{
		{name: "inverted 0", payload: "0", want: a(1)},
		{name: "inverted on", payload: "on", want: a(0)},
	})
	check(t, []site.Probe{
		{ID: "a", Quantity: reading.Contact, Topic: "t", Format: site.JSON, ValuePath: "mains"},
	}, []run{
		{name: "boolean", payload: `{"mains":true}`, want: a(1)},
		{name: "number", payload: `{"mains":0}`, want: a(0)},
		{name: "text", payload: `{"mains":"OPEN"}`, want: a(0)},
		{name: "number that is none", payload: `{"mains":2}`, errs: []string{"\"mains\" is the number \"2\": \"2\" is neither open nor closed"}},
		{name: "null", payload: `{"mains":null}`, errs: []string{"is null"}},
	})
	if _, err := payload.NewDecoder([]site.Probe{{ID: "a", Quantity: reading.Contact, Format: site.SenML}}); err == nil {
		t.Error("a contact in SenML is taken")
	}
}
