package config

import (
	"fmt"
	"slices"
	"strings"

	"weirkeeper/rules/callout"
	"weirkeeper/rules/hclread"
	"weirkeeper/rules/measure"
)

// people reads who can be told and how; mail, sms and hooks are read before.
func (p *parser) people() {
	noMail := 0
	owner := make(map[string]string) // of mobile numbers
	blocks := p.file.Named("person")
	for _, b := range blocks {
		pn := Person{Name: b.Name(), Email: address(b, "email"), Mobile: mobile(b)}
		if o := owner[pn.Mobile]; o != "" && pn.Mobile != "" {
			b.Fault(b.Rng("mobile"), "Number used twice", fmt.Sprintf("%q has this number too, and nobody could tell whose answer a text message is. Write another number, or make one person of the two.", o))
		}
		owner[pn.Mobile] = pn.Name
		if b.Has("reach") {
			pn.Reach = p.reach(b, pn)
		} else {
			pn.Reach = p.usualReach(b, pn)
		}
		if strings.HasSuffix(p.deaf[pn.Name], noMailBlock) {
			noMail++
		}
		p.c.People = append(p.c.People, pn)
		b.Done()
	}
	switch {
	case p.file.Broken():
	case len(p.file.Blocks("person")) == 0:
		p.file.Warn(p.def, "Nobody to call out", `Alarms are shown and written down, but nobody is told. Add a block such as person "kim" with email = "kim@alderfork.example".`)
	case noMail > 0 && noMail == len(blocks):
		p.file.Warn(p.def, "No mail server", `There are people, but no way to tell them. Add a block mail { ... } with host and from.`)
	default:
		for _, b := range blocks {
			if why := p.deaf[b.Name()]; why != "" {
				b.Warn(b.DefRange(), "Nothing reaches this person", fmt.Sprintf("%s is not told of anything: %s. Add that block, or another way.", measure.Capital(b.What()), why))
			}
		}
	}
}

// Why a person is not reached.
const (
	noMailBlock = "there is no mail block"
	noSMSBlock  = "there is no sms block"
)

func (p *parser) person(name string) *Person {
	for i := range p.c.People {
		if p.c.People[i].Name == name {
			return &p.c.People[i]
		}
	}
	return nil
}

// usualReach is how a person is reached who does not say.
func (p *parser) usualReach(b *hclread.Block, pn Person) (out []callout.Reach) {
	sms, email := callout.Reach{Way: callout.SMS, Address: pn.Mobile}, callout.Reach{Way: callout.Email, Address: pn.Email}
	if pn.Mobile != "" && p.c.SMS != nil {
		out = append(out, sms)
	}
	if pn.Email != "" && p.c.Mail != nil {
		out = append(out, email)
	}
	switch {
	case len(out) > 0 && pn.Mobile != "" && p.c.SMS == nil && !p.file.Broken():
		b.Warn(b.Rng("mobile"), "No text messages", fmt.Sprintf("There is a number, but no sms block: %s is told by email only. Add a block sms { ... }, or delete the line.", b.What()))
	case len(out) > 0:
	case !b.Has("email") && !b.Has("mobile"):
		if !b.Broken() {
			b.Fault(b.DefRange(), "No way to tell this person", fmt.Sprintf(`%s has no address. Add a line such as email = "kim@alderfork.example", mobile = "+44 7700 900123", or reach = ["hook NAME"].`, measure.Capital(b.What())))
		}
	case pn.Email != "":
		out = append(out, email) // kept until there is a mail server
		p.deaf[pn.Name] = "there is an email address, but " + noMailBlock
	case pn.Mobile != "":
		p.deaf[pn.Name] = "there is a mobile number, but " + noSMSBlock
	}
	return out
}

// reach reads how a person says to be reached.
func (p *parser) reach(b *hclread.Block, pn Person) (out []callout.Reach) {
	names, ok := b.Names("reach")
	if ok && len(names) == 0 {
		b.Fault(b.Rng("reach"), "No way to tell this person", `Write at least one way, such as reach = ["sms", "email"], or delete the line to use the addresses that are there.`)
	}
	var hooks []string
	ways := []string{string(callout.SMS), string(callout.Email)}
	for _, h := range p.c.Hooks {
		hooks = append(hooks, h.Name)
		ways = append(ways, hookRef+h.Name)
	}
	need := func(n hclread.Name, attr, example, block string, there bool) bool {
		switch {
		case !b.Has(attr) && !b.Broken():
			b.Fault(n.Range, "Way without an address", fmt.Sprintf("%q needs an address. Add a line such as %s = %q, or delete this way.", n.Value, attr, example))
		case !there && !p.file.Broken():
			b.Fault(n.Range, "No "+block+" block", fmt.Sprintf("Nothing is sent by %q without a block %s { ... }. Add one, or delete this way.", n.Value, block))
		}
		return there
	}
	for _, n := range names {
		hook, isHook := strings.CutPrefix(n.Value, hookRef)
		switch {
		case n.Value == string(callout.SMS):
			if need(n, "mobile", "+44 7700 900123", "sms", p.c.SMS != nil) && pn.Mobile != "" {
				out = append(out, callout.Reach{Way: callout.SMS, Address: pn.Mobile})
			}
		case n.Value == string(callout.Email):
			if need(n, "email", "kim@alderfork.example", "mail", p.c.Mail != nil) && pn.Email != "" {
				out = append(out, callout.Reach{Way: callout.Email, Address: pn.Email})
			}
		case isHook && slices.Contains(hooks, hook):
			out = append(out, callout.Reach{Way: callout.Hook, Address: hook})
		case p.file.Broken():
		case isHook:
			b.Add(hclread.Unknown(n.Range, "hook", hook, hooks))
		default:
			b.Add(hclread.Unknown(n.Range, "way", n.Value, ways))
		}
	}
	return out
}

// hookRef stands before the name of a hook, hornRef before that of a horn.
const (
	hookRef = "hook "
	hornRef = "horn "
)

// mobile reads a number in the international form (ITU-T E.164: "+", then at most
// 15 digits, the first of them not 0; fewer than 7 are nobody's, no source).
func mobile(b *hclread.Block) string {
	s, ok := filled(b, "mobile")
	if !ok {
		return ""
	}
	fault := func(detail string) string {
		b.Fault(b.Rng("mobile"), "Not a mobile number", detail)
		return ""
	}
	if strings.Contains(s, "(0)") {
		return fault(`A 0 in brackets is dialled within the country only. Write the number without it, such as "+44 7700 900123".`)
	}
	digits := strings.NewReplacer(" ", "", "-", "", "(", "", ")", "").Replace(s)
	rest, plus := strings.CutPrefix(digits, "+")
	isDigit := func(r rune) bool { return '0' <= r && r <= '9' }
	switch {
	case strings.ContainsFunc(rest, func(r rune) bool { return !isDigit(r) }):
		return fault(`A number has digits, spaces, hyphens and brackets only. Write it like "+44 7700 900123".`)
	case !plus && strings.HasPrefix(rest, "00"):
		return fault(`Write + instead of the 00 at the start, such as "+44 7700 900123".`)
	case !plus || strings.HasPrefix(rest, "0"):
		return fault(`Write it in the international form: + and the number of the country, then the number without its first 0, such as "+44 7700 900123".`)
	case len(rest) < 7 || len(rest) > 15:
		return fault(fmt.Sprintf(`It has %d digits, and a number has 7 to 15. Write it like "+44 7700 900123".`, len(rest)))
	}
	return digits
}
