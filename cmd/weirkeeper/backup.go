package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"flag"
	"fmt"
	"io"
	iofs "io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"weirkeeper/cmd/weirkeeper/internal/daemon"
	"weirkeeper/cmd/weirkeeper/internal/web"
	"weirkeeper/ingest/ledger"
)

const (
	// building marks the folder of a period that is not yet whole.
	building = ".building"
	// manifest lists the files of a backup as the program sha256sum reads it.
	manifest = "SHA256SUMS"
)

func runBackup(ctx context.Context, e env, args []string) int {
	fs := flag.NewFlagSet("backup", flag.ContinueOnError)
	path := fs.String("site", defaultSite, "site `file`")
	rest, code, ok := e.parse("backup", fs, args)
	if !ok {
		return code
	}
	if len(rest) != 1 {
		return e.usage("backup", "backup takes the new folder to make")
	}
	c, err := e.readSite(*path)
	if err != nil {
		return e.fault(err)
	}
	dest := filepath.Clean(rest[0])
	b := backup{data: c.Paths.Data, part: dest + ".part"}
	if err := b.make(ctx, fmt.Sprintf("# weirkeeper %s, backup of %s at %s\n", buildVersion(), c.Site.Name, formatTime(e.now())), dest); err != nil {
		return e.fault(fmt.Errorf("backup to %q: %w", dest, err))
	}
	fmt.Fprintf(e.out, "Backed up to %s: %d files, %d bytes. Check it with: cd %s && sha256sum -c %s\n", dest, b.files, b.bytes, dest, manifest)
	return exitOK
}

// backup makes one backup in the folder part.
type backup struct {
	data, part string
	hook       func()        // called before each file of a period; nil but in tests
	link       bool          // give files a second name where that can be had
	listed     []os.FileInfo // the sealed periods that were copied
	sums       []byte        // of the manifest
	files      int
	bytes      int64
}

// make fills the folder, brings it to the disk and only then gives it its name,
// so a folder of that name is whole.
func (b *backup) make(ctx context.Context, head, dest string) (err error) {
	if _, err := os.Lstat(dest); err == nil {
		return fmt.Errorf("%w; name a new folder", os.ErrExist)
	}
	l, err := ledger.OpenReader(ctx, filepath.Join(b.data, daemon.LedgerFile))
	if err != nil {
		return err
	}
	defer func() { _ = l.Close() }() // it was only read
	if err := os.Mkdir(b.part, 0o700); errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%w, left by a backup that was cut short; remove it", err)
	} else if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(b.part))
		}
	}()
	b.sums = []byte(head)
	// The ledger first: rows that are sealed and dropped meanwhile are then in
	// both copies and not in neither.
	if err := b.ledger(ctx, l); err != nil {
		return err
	}
	if err := b.series(ctx); err != nil {
		return err
	}
	if err := b.secret(); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(b.part, manifest), b.sums, 0o600); err != nil {
		return err
	}
	if err := errors.Join(syncPath(filepath.Join(b.part, manifest)), syncPath(b.part)); err != nil {
		return err
	}
	if err := os.Rename(b.part, dest); err != nil {
		return err
	}
	return syncPath(filepath.Dir(dest))
}

// ledger copies the ledger and looks through the copy.
func (b *backup) ledger(ctx context.Context, l *ledger.Ledger) error {
	path := filepath.Join(b.part, daemon.LedgerFile)
	if err := l.Backup(ctx, path); err != nil {
		return err
	}
	c, err := ledger.OpenReader(ctx, path)
	if err != nil {
		return err
	}
	if err := errors.Join(c.Check(ctx), c.Close()); err != nil {
		return err
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(b.add(daemon.LedgerFile, f, io.Discard), f.Close())
}

// secret copies the secret of the links, where there is one: with another all
// printed codes would be void.
func (b *backup) secret() error {
	from, err := os.Open(filepath.Join(b.data, web.SecretFile))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer func() { _ = from.Close() }() // it was only read
	to, err := os.OpenFile(filepath.Join(b.part, web.SecretFile), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(b.add(web.SecretFile, from, to), to.Sync(), to.Close())
}

// add copies a file, notes its sum and counts it.
func (b *backup) add(name string, from io.Reader, to io.Writer) error {
	sum := sha256.New()
	n, err := io.Copy(io.MultiWriter(to, sum), from)
	if err != nil {
		return err
	}
	b.sums = fmt.Appendf(b.sums, "%x  %s\n", sum.Sum(nil), name)
	b.files++
	b.bytes += n
	return nil
}

// tries is how often the copying of sealed periods is begun anew because one was
// sealed, rebuilt or removed under it. That takes a moment a month each.
const tries = 10

// errUnsettled: sealed periods were changed all the time.
var errUnsettled = errors.New("sealed periods kept changing; try again when the daemon has done with sealing")

// series copies the sealed periods. A period's folder never changes, but it may
// be put into its place, or swapped for a rebuilt one, while others are copied:
// then all is copied again, as a swap seen half-way may show neither.
func (b *backup) series(ctx context.Context) error {
	before := *b
	for range tries {
		settled, err := b.seriesOnce(ctx)
		if settled {
			return err
		}
		if err := os.RemoveAll(filepath.Join(b.part, daemon.SeriesFolder)); err != nil {
			return err
		}
		*b = before // whatever was appended to sums lies beyond its end
	}
	return errUnsettled
}

// seriesOnce copies what is there, and reports whether that was still there
// afterwards. An error of an unsettled copy says nothing.
func (b *backup) seriesOnce(ctx context.Context) (settled bool, err error) {
	first, err := b.periods()
	if err != nil {
		return true, err
	}
	for _, p := range first {
		if err = b.period(ctx, p.Name()); err != nil {
			break
		}
	}
	if err == nil && len(first) > 0 {
		err = syncPath(filepath.Join(b.part, daemon.SeriesFolder))
	}
	if cerr := ctx.Err(); cerr != nil {
		return true, cerr
	}
	b.listed = first
	settled, lerr := b.unchanged()
	if lerr != nil {
		return true, lerr
	}
	return settled, err
}

// unchanged reports whether the sealed periods are still those that were copied.
func (b *backup) unchanged() (bool, error) {
	then, err := b.periods()
	return slices.EqualFunc(b.listed, then, func(f, t os.FileInfo) bool {
		// Two swaps may bring back the number of a folder, but not its time.
		return f.Name() == t.Name() && os.SameFile(f, t) && f.ModTime().Equal(t.ModTime())
	}), err
}

// periods lists the folders of sealed periods, by name; none where nothing has
// been sealed.
func (b *backup) periods() ([]os.FileInfo, error) {
	entries, err := os.ReadDir(filepath.Join(b.data, daemon.SeriesFolder))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var all []os.FileInfo
	for _, e := range entries {
		if !e.IsDir() || strings.Contains(e.Name(), building) {
			continue
		}
		fi, err := e.Info()
		if errors.Is(err, os.ErrNotExist) {
			continue // went away since
		}
		if err != nil {
			return nil, err
		}
		all = append(all, fi)
	}
	return all, nil
}

// period copies one folder to the disk.
func (b *backup) period(ctx context.Context, name string) error {
	var folders []string
	err := filepath.WalkDir(filepath.Join(b.data, daemon.SeriesFolder, name), func(path string, d iofs.DirEntry, err error) error {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return err
		}
		if b.hook != nil {
			b.hook()
		}
		rel, err := filepath.Rel(b.data, path)
		if err != nil {
			return err
		}
		to := filepath.Join(b.part, rel)
		if d.IsDir() {
			folders = append(folders, to)
			return os.MkdirAll(to, 0o700)
		}
		return b.file(rel, path, to)
	})
	if b.link {
		return err
	}
	for _, f := range folders {
		err = errors.Join(err, syncPath(f))
	}
	return err
}

func (b *backup) file(name, from, to string) error {
	if b.link && os.Link(from, to) == nil {
		return nil
	}
	src, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = src.Close() }() // it was only read
	dst, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(b.add(name, src, dst), dst.Sync(), dst.Close())
}
