package main

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"weirkeeper/cmd/weirkeeper/internal/lotform"
	"weirkeeper/rules/lot/book"
)

// TestFormAsksWhatTheCommandAsks holds that a form of the page and the command
// ask for the same things, and insist on the same ones.
func TestFormAsksWhatTheCommandAsks(t *testing.T) {
	for _, v := range lotVerbs() {
		if v.kind == "" {
			continue
		}
		want := map[string]bool{}
		for _, w := range v.words {
			switch {
			case w == "ENTRY", w == "LOT" && v.kind != book.Opened:
			case w == "first|half|last":
				want["part"] = true
			default:
				want[strings.ToLower(w)] = true
			}
		}
		for _, f := range v.must {
			want[f] = true
		}
		for _, f := range v.may {
			want[f] = false
		}
		if v.kind == book.Struck {
			delete(want, "lot") // is on the page
		}
		got := map[string]bool{}
		for _, f := range lotform.Fields(v.kind) {
			got[f.Name] = f.Must
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-command +form):\n%s", v.name, diff)
		}
	}
	for _, k := range book.Kinds() {
		if !slices.ContainsFunc(lotVerbs(), func(v lotVerb) bool { return v.kind == k }) {
			t.Errorf("no command writes an entry %q", k)
		}
	}
}
