package series

import (
	"iter"
	"os"
	"path/filepath"
	"time"

	"weirkeeper/rules/reading"
)

// Points are the points at which Hook is called.
var Points = []string{
	atBeforeClose, atAfterClose, atSynced, atVerifying, atVerified, atOldAside, atRenamed, atOldRemoved,
	atBeforeDrop, atDropped, atRetired, atRetiredFully,
}

// PartRows and WindowRows are where a part and a look at the ledger end.
const (
	PartRows      = partRows
	WindowRows    = windowRows
	FormatVersion = formatVersion
)

// Canonical is what a sealed reading knows.
var Canonical = canonical

// WritePeriod writes a sealed period of the readings, which come probe by probe,
// without a ledger, and does not sync it.
func WritePeriod(dir string, p Period, from time.Time, probes []reading.ProbeID, rows func(reading.ProbeID) iter.Seq[reading.Reading]) error {
	path := filepath.Join(dir, p.name(from))
	if err := os.MkdirAll(path, 0o700); err != nil {
		return err
	}
	s := &Store{opt: Options{Hook: func(string) {}}}
	m := manifest{Format: formatVersion, From: from, To: p.next(from), SealedAt: p.next(from)}
	for _, probe := range probes {
		if err := s.buildProbe(path, &m, probe, withoutError(rows(probe))); err != nil {
			return err
		}
	}
	return writeManifest(path, m)
}

// Rewrite changes the format number in a period's manifest.
func Rewrite(dir string, change func(format *int)) error {
	m, err := readManifest(dir)
	if err != nil && m.Format == formatVersion {
		return err
	}
	change(&m.Format)
	return writeManifest(dir, m)
}
