package site_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/rules/site"
)

func TestUpstream(t *testing.T) {
	unit := func(name string, k site.Kind, fedBy string) site.Unit {
		return site.Unit{Name: name, Kind: k, FedBy: fedBy}
	}
	tests := []struct {
		name  string
		units []site.Unit
		of    string
		want  []string
	}{
		{"trough below the head box", []site.Unit{unit("s", site.Spring, ""), unit("h", site.HeadBox, ""), unit("t", site.Trough, "")}, "t", []string{"h", "s"}},
		{"head box below the spring", []site.Unit{unit("s", site.Spring, ""), unit("h", site.HeadBox, ""), unit("t", site.Trough, "")}, "h", []string{"s"}},
		{"nothing above the spring", []site.Unit{unit("s", site.Spring, ""), unit("h", site.HeadBox, "")}, "s", nil},
		{"no head box", []site.Unit{unit("s", site.Spring, ""), unit("t", site.Trough, "")}, "t", []string{"s"}},
		{"two head boxes: the spring is all that is sure", []site.Unit{unit("s", site.Spring, ""), unit("h", site.HeadBox, ""), unit("i", site.HeadBox, ""), unit("t", site.Trough, "")}, "t", []string{"s"}},
		{"two springs: nothing is sure", []site.Unit{unit("s", site.Spring, ""), unit("z", site.Spring, ""), unit("h", site.HeadBox, ""), unit("t", site.Trough, "")}, "t", nil},
		{"two springs, stated", []site.Unit{unit("s", site.Spring, ""), unit("z", site.Spring, ""), unit("h", site.HeadBox, "z"), unit("t", site.Trough, "h")}, "t", []string{"h", "z"}},
		{"one below another, the rest by itself", []site.Unit{unit("s", site.Spring, ""), unit("h", site.HeadBox, ""), unit("r", site.Raceway, ""), unit("d", site.DeepTrough, "r")}, "d", []string{"r", "h", "s"}},
		{"past the head box", []site.Unit{unit("s", site.Spring, ""), unit("h", site.HeadBox, ""), unit("r", site.Raceway, "s")}, "r", []string{"s"}},
		{"no spring", []site.Unit{unit("h", site.HeadBox, ""), unit("t", site.Trough, "")}, "t", nil},
		{"no such unit", []site.Unit{unit("s", site.Spring, "")}, "t", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := &site.Site{Units: tt.units}
			if d := cmp.Diff(tt.want, s.Upstream(tt.of)); d != "" {
				t.Error(d)
			}
		})
	}
	ring := &site.Site{Units: []site.Unit{unit("a", site.Trough, "b"), unit("b", site.Trough, "a")}}
	if got := ring.Upstream("a"); len(got) > 2 {
		t.Errorf("a ring leads to %v", got)
	}
}
