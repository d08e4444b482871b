package config_test

import (
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

func TestContacts(t *testing.T) {
	c, said := parse(t, "site.hcl", `
site "Alder Fork" {
  timezone = "UTC"
  altitude = "420 m"
}
unit "head box" {
  kind = "head box"
}
probe "mains" {
  quantity = "contact"
  topic    = "alderfork/mains"
  every    = "1 h"
}
probe "float" {
  quantity    = "contact"
  at          = "head box"
  topic       = "alderfork/float"
  format      = "json"
  value_path  = "low"
  closed_when = "OFF"
}
`)
	want := []site.Probe{
		{ID: "mains", Quantity: reading.Contact, Topic: "alderfork/mains", Format: site.Number, High: 1, Every: time.Hour},
		{ID: "float", Quantity: reading.Contact, At: "head box", Topic: "alderfork/float", Format: site.JSON, ValuePath: "low", High: 1, Every: time.Minute, Inverted: true},
	}
	if diff := gocmp.Diff(want, c.Site.Probes, compare...); diff != "" {
		t.Errorf("probes (-want +got):\n%s\n%s", diff, said)
	}
}
