package series

import (
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"weirkeeper/rules/reading"
)

const (
	manifestName  = "period.json"
	formatVersion = 1
)

// manifest is what period.json says of a sealed period.
type manifest struct {
	Format int       `json:"format"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	// Snapshot is the ledger's when it was sealed.
	Snapshot int64     `json:"ledger_snapshot"`
	SealedAt time.Time `json:"sealed_at"`
	// Parts are in order of probe and time.
	Parts []part `json:"parts"`
}

// part is one probe's readings, or the next 65,536 of them.
type part struct {
	Name  string          `json:"name"`
	Probe reading.ProbeID `json:"probe"`
	Rows  int             `json:"readings"`
	First time.Time       `json:"first"`
	Last  time.Time       `json:"last"`
	// Sum is CRC-32C of At, value and flags of all readings; see addSum.
	Sum   uint32 `json:"sum"`
	Files []file `json:"files"`
}

// file is a file of a part, by its path there.
type file struct {
	Path string `json:"path"`
	Size int64  `json:"size"`
	Sum  uint32 `json:"sum"` // CRC-32C
}

// envelope is period.json itself.
type envelope struct {
	Sum    uint32          `json:"sum"` // CRC-32C of Period, compact
	Period json.RawMessage `json:"period"`
}

// writeManifest is the last thing written into a folder.
func writeManifest(dir string, m manifest) error {
	b, err := json.Marshal(m)
	if err != nil {
		return err
	}
	if b, err = json.Marshal(envelope{crc32.Checksum(b, castagnoli), b}); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, manifestName), append(b, '\n'), 0o600)
}

// readManifest reads a period's manifest and looks whether each file is there
// and as long as it should be, which takes microseconds a file; what is in them
// is checked when they are read.
// Errors: errDamaged.
func readManifest(dir string) (m manifest, err error) {
	b, err := os.ReadFile(filepath.Join(dir, manifestName))
	if errors.Is(err, fs.ErrNotExist) {
		return m, damaged("there is no %s", manifestName)
	}
	if err != nil {
		return m, err
	}
	var e envelope
	if err := json.Unmarshal(b, &e); err != nil {
		return m, damaged("%s: %v", manifestName, err)
	}
	if crc32.Checksum(e.Period, castagnoli) != e.Sum {
		return m, damaged("%s does not match its checksum", manifestName)
	}
	if err := json.Unmarshal(e.Period, &m); err != nil {
		return m, damaged("%s: %v", manifestName, err)
	}
	if m.Format != formatVersion {
		return m, fmt.Errorf("it is of format %d and this program reads %d; run the version that wrote it", m.Format, formatVersion)
	}
	for _, p := range m.Parts {
		for _, f := range p.Files {
			path := filepath.Join(p.Name, f.Path)
			info, err := os.Stat(filepath.Join(dir, path))
			if errors.Is(err, fs.ErrNotExist) {
				return m, damaged("%s is missing", path)
			}
			if err != nil {
				return m, err
			}
			if info.Size() != f.Size {
				return m, damaged("%s is %d bytes long, not %d", path, info.Size(), f.Size)
			}
		}
	}
	return m, nil
}

func (m manifest) rows(probe reading.ProbeID) (n int) {
	for _, p := range m.Parts {
		if probe == p.Probe {
			n += p.Rows
		}
	}
	return n
}

func (m manifest) probes() []reading.ProbeID {
	var all []reading.ProbeID
	for _, p := range m.Parts {
		all = append(all, p.Probe)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// sumFiles describes all files below dir, in order of path.
func sumFiles(dir string) (files []file, err error) {
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		sum := crc32.New(castagnoli)
		n, err := io.Copy(sum, f)
		if err := errors.Join(err, f.Close()); err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		files = append(files, file{rel, n, sum.Sum32()})
		return err
	})
	return files, err
}

func sameFiles(want, got []file) error {
	for i, w := range want {
		if i >= len(got) || got[i].Path != w.Path {
			return damaged("%s is missing", w.Path)
		}
		if got[i] != w {
			return damaged("%s does not match its checksum", w.Path)
		}
	}
	if len(got) > len(want) {
		return damaged("%s was not there when it was sealed", got[len(want)].Path)
	}
	return nil
}

// syncTree flushes all files and folders from dir down to the disk.
func syncTree(dir string) error {
	return filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return syncPath(path)
	})
}

func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
