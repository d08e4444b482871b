package site

// Feeder is the unit that the water of a unit comes from, "" when there is none
// or it is not known. Where the site file says nothing, and there is exactly one
// spring, a head box is fed by the spring and every other unit by the head box,
// or by the spring when there is not exactly one head box.
func (s *Site) Feeder(unit string) string {
	u, ok := s.Unit(unit)
	switch {
	case !ok:
		return ""
	case u.FedBy != "":
		return u.FedBy
	case u.Kind == Spring:
		return ""
	}
	spring, ok := s.only(Spring)
	if !ok {
		return ""
	}
	if box, ok := s.only(HeadBox); ok && u.Kind != HeadBox {
		return box
	}
	return spring
}

// only gives the one unit of a kind; not ok when there is none or another.
func (s *Site) only(k Kind) (name string, ok bool) {
	for i := range s.Units {
		if s.Units[i].Kind != k {
			continue
		}
		if ok {
			return "", false
		}
		name, ok = s.Units[i].Name, true
	}
	return name, ok
}

// Upstream lists the units that the water of a unit has come through, nearest
// first. A ring, which the site file must not have, ends before it closes.
func (s *Site) Upstream(unit string) []string {
	var chain []string
	for at := s.Feeder(unit); at != "" && len(chain) < len(s.Units); at = s.Feeder(at) {
		chain = append(chain, at)
	}
	return chain
}
