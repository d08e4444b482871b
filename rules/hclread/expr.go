package hclread

import "github.com/hashicorp/hcl/v2/hclsyntax"

// Expr gives an attribute's value as it is written, for whoever works it out
// himself. It is not ok when it is missing or the parser stumbled over it.
func (b *Body) Expr(name string) (hclsyntax.Expression, bool) {
	if !b.Has(name) {
		return nil, false
	}
	a := b.body.Attributes[name]
	if b.broken(a.SrcRange) {
		return nil, false
	}
	return a.Expr, true
}
