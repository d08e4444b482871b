package replay

import "weirkeeper/rules/reading"

// Each hands over all readings of the streams as they are played.
func Each(streams []Stream, take func(*reading.Reading)) error {
	m, err := newMerger(streams)
	if err != nil {
		return err
	}
	defer m.close()
	for r := m.front(); r != nil; r = m.front() {
		take(r)
		if err := m.advance(); err != nil {
			return err
		}
	}
	return nil
}

// Merge gives all readings of the streams as they are played.
func Merge(streams []Stream) (all []reading.Reading, err error) {
	err = Each(streams, func(r *reading.Reading) { all = append(all, *r) })
	return all, err
}
