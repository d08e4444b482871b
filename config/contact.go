package config

import (
	"fmt"
	"strings"

	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// contact reads what only a contact has: which of its words means closed.
func contact(b *hclread.Block, pr *site.Probe) {
	if pr.Quantity != reading.Contact {
		if b.Has("closed_when") && pr.Quantity != 0 {
			b.Fault(b.Rng("closed_when"), "Belongs to a contact", fmt.Sprintf(`closed_when says what a switch sends when it is closed, but this probe measures %s. Delete the line, or write quantity = "contact".`, pr.Quantity))
		}
		return
	}
	if pr.Format == site.SenML {
		b.Fault(b.Rng("format"), "Contact in SenML", `A contact is read from a payload that is the word alone or JSON. Write format = "number" or format = "json".`)
	}
	s, ok := filled(b, "closed_when")
	if !ok {
		return
	}
	v, known := site.ContactValue(s)
	if !known {
		help := ""
		if near := measure.Suggest(s, site.ContactWords()); near != "" {
			help = fmt.Sprintf(" Did you mean %q?", near)
		}
		b.Fault(b.Rng("closed_when"), "Unknown word", fmt.Sprintf("A contact sends one of %s. Write the one it sends when it is closed.%s", strings.Join(site.ContactWords(), ", "), help))
		return
	}
	pr.Inverted = v == reading.Open
}
