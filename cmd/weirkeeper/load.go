package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2"

	"weirkeeper/config"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/lang"
)

// loaded is a site file with its rules files, read and checked.
type loaded struct {
	files   *hclread.Files
	config  *config.Config
	program *lang.Program
	diags   hcl.Diagnostics
	// rulesUnread: the site file's faults kept the rules from being checked.
	rulesUnread bool
}

// loadSite reads a site file alone. The error is only about reading it.
func (e env) loadSite(path string, now time.Time) (*loaded, error) {
	l := &loaded{files: hclread.NewFiles()}
	src, err := e.readFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the site file: %w; name it with --site", err)
	}
	l.config, l.diags = config.Parse(l.files, path, src, config.Options{Now: now})
	return l, nil
}

// readSite reads the site file for commands that need not know the rules. The
// error holds every fault.
func (e env) readSite(path string) (*config.Config, error) {
	l, err := e.loadSite(path, e.now())
	if err != nil {
		return nil, err
	}
	if l.diags.HasErrors() {
		var b strings.Builder
		if _, err := l.say(&b); err != nil {
			return nil, err
		}
		return nil, fmt.Errorf("the site file has faults:\n%s", b.String())
	}
	return l.config, nil
}

// load reads a site file and its rules files, or instead of those the given
// ones. The error is only about reading the site file; a missing rules file is
// a diagnostic.
func (e env) load(path string, rulesFiles []string, now time.Time) (*loaded, error) {
	l, err := e.loadSite(path, now)
	if err != nil {
		return nil, err
	}
	if l.diags.HasErrors() {
		l.rulesUnread = true
		return l, nil
	}
	if len(rulesFiles) == 0 {
		rulesFiles = l.config.Paths.Rules
	}
	e.readRules(l, path, rulesFiles)
	return l, nil
}

// readRules reads and checks rules files against the site of l. A file that
// cannot be read is a diagnostic at the site file.
func (e env) readRules(l *loaded, path string, rulesFiles []string) {
	var sources []lang.Source
	for _, name := range rulesFiles {
		text, err := e.readFile(name)
		if err != nil {
			l.diags = append(l.diags, &hcl.Diagnostic{
				Severity: hcl.DiagError, Summary: "Rules file not read",
				Detail:  fmt.Sprintf("%v. Write the file, or name another one under paths { rules = [...] } in the site file.", err),
				Subject: &hcl.Range{Filename: path, Start: hcl.InitialPos, End: hcl.InitialPos},
			})
			continue
		}
		sources = append(sources, lang.Source{Name: name, Text: text})
	}
	if len(sources) == len(rulesFiles) {
		var diags hcl.Diagnostics
		l.program, diags = lang.Parse(l.files, sources, l.config.Site)
		l.diags = append(l.diags, diags...)
		l.program = lang.WatchSilence(l.program, l.config.Site)
	}
}

// rulesAnew reads the rules files of a running daemon against the site it
// watches. The error holds every fault.
func (e env) rulesAnew(path string, c *config.Config) (*lang.Program, error) {
	l := &loaded{files: hclread.NewFiles(), config: c}
	e.readRules(l, path, c.Paths.Rules)
	if l.diags.HasErrors() {
		var b strings.Builder
		if _, err := l.say(&b); err != nil {
			return nil, err
		}
		return nil, fmt.Errorf("the rules read before go on, for the files have faults:\n%s", b.String())
	}
	return l.program, nil
}

// width is the column at which diagnostics are wrapped.
const width = 78

// say renders all diagnostics and reports whether any is a fault.
func (l *loaded) say(w io.Writer) (faulty bool, err error) {
	if len(l.diags) > 0 {
		if err := l.files.Render(w, l.diags, width); err != nil {
			return true, err
		}
	}
	if l.rulesUnread {
		fmt.Fprintln(w, "The rules are checked against the site once the site file has no faults.")
	}
	return l.diags.HasErrors(), nil
}
