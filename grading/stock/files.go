package stock

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"
)

// FileKind says what a kept file is.
type FileKind string

// The kinds of kept files; each has its folder.
const (
	RecordingFile FileKind = "recording"
	PaperFile     FileKind = "paper"
)

var fileFolders = map[FileKind]string{RecordingFile: "recordings", PaperFile: "papers"}

// File is a recording or the scan of a paper, kept bit for bit under the SHA-256 of
// its content.
type File struct {
	SHA256 string   `json:"sha256"`
	Kind   FileKind `json:"kind"`
	Ending string   `json:"ending"` // of the name on disk, with its dot; may be empty
	Bytes  int64    `json:"bytes"`
}

// name is the path of the file inside the folder of a stock.
func (f File) name() string {
	return filepath.Join(fileFolders[f.Kind], f.SHA256[:2], f.SHA256+f.Ending)
}

// FilePath is where a stored recording or paper lies.
func (s *Store) FilePath(ctx context.Context, sha256 string) (path string, err error) {
	err = s.read(ctx, func(q querier) error {
		f, err := s.file(ctx, q, sha256)
		path = filepath.Join(s.opt.Dir, f.name())
		return err
	})
	return path, err
}

// valid keeps anything that came from outside from naming a place on disk of its choice.
func (f File) valid() error {
	if b, err := hex.DecodeString(f.SHA256); err != nil || len(b) != sha256.Size || strings.ToLower(f.SHA256) != f.SHA256 {
		return fmt.Errorf("%q is not a SHA-256 in 64 small hexadecimal digits", f.SHA256)
	}
	if fileFolders[f.Kind] == "" {
		return fmt.Errorf("%q is not a kind of file", f.Kind)
	}
	if f.Ending != endingOf("x"+f.Ending) {
		return fmt.Errorf("%q is not the ending of a file name", f.Ending)
	}
	if f.Bytes < 0 {
		return fmt.Errorf("a file of %d bytes", f.Bytes)
	}
	return nil
}

// endingOf is the ending of a file's name if it is a plain one, else nothing.
func endingOf(name string) string {
	ending := strings.ToLower(filepath.Ext(name))
	if len(ending) < 2 || len(ending) > 6 {
		return ""
	}
	for _, c := range ending[1:] {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') {
			return ""
		}
	}
	return ending
}

// hashFile reads an open file and says what it would be kept as.
func hashFile(kind FileKind, src *os.File) (File, error) {
	h := sha256.New()
	n, err := io.Copy(h, src)
	if err != nil {
		return File{}, err
	}
	return File{SHA256: hex.EncodeToString(h.Sum(nil)), Kind: kind, Ending: endingOf(src.Name()), Bytes: n}, nil
}

// keeper copies files into the folder of a stock. Files come before the rows that name
// them; a file without a row is harmless.
type keeper struct {
	dir     string
	mu      sync.Mutex
	touched map[string]bool // folders whose new names are not yet known to be on the disk
}

// atOnce does n things that wait for the disk, several at a time: it can
// serve them together.
func atOnce(n int, do func(i int) error) error {
	var g errgroup.Group
	g.SetLimit(16)
	for i := range n {
		g.Go(func() error { return do(i) })
	}
	return g.Wait()
}

// keep copies an open file: to a temporary name, onto the disk, then to its real name,
// so that no moment shows half a file. Its name lasts after sync.
func (k *keeper) keep(kind FileKind, src *os.File) (File, error) {
	folder := filepath.Join(k.dir, fileFolders[kind])
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return File{}, err
	}
	tmp, err := os.CreateTemp(folder, ".unfinished-*")
	if err != nil {
		return File{}, err
	}
	defer os.Remove(tmp.Name()) // fails once it was renamed, as it should
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(tmp, h), src)
	if err == nil {
		err = tmp.Chmod(0o666 &^ umask)
	}
	if err == nil {
		err = tmp.Sync()
	}
	if err := errors.Join(err, tmp.Close()); err != nil {
		return File{}, fmt.Errorf("%s could not be copied to %s, where nothing was entered: %w; make space or mend the disk and do it again", src.Name(), folder, err)
	}
	f := File{SHA256: hex.EncodeToString(h.Sum(nil)), Kind: kind, Ending: endingOf(src.Name()), Bytes: n}
	to := filepath.Join(k.dir, f.name())
	if have, err := os.Stat(to); err == nil && have.Size() == n {
		return f, nil
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
		return File{}, err
	}
	if err := os.Rename(tmp.Name(), to); err != nil {
		return File{}, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.touched == nil {
		k.touched = map[string]bool{}
	}
	k.touched[filepath.Dir(to)], k.touched[folder], k.touched[k.dir] = true, true, true
	return f, nil
}

func (k *keeper) keepPath(kind FileKind, path string) (File, error) {
	src, err := os.Open(path)
	if err != nil {
		return File{}, err
	}
	defer src.Close()
	return k.keep(kind, src)
}

// sync makes the names of kept files last through a power cut.
func (k *keeper) sync() error {
	dirs := slices.Collect(maps.Keys(k.touched))
	return atOnce(len(dirs), func(i int) error { return syncDir(dirs[i]) })
}

// umask is what the copies of files withhold from others, as other new files do not
// get from os.CreateTemp, which gives them to their owner alone.
const umask fs.FileMode = 0o022

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// syncDir makes a rename last through a power cut, where folders can be synced at all.
func syncDir(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// insertFile enters a kept file, if it is not yet there.
func (t *tx) insertFile(f File) error {
	isNew, err := t.insert(`INSERT INTO files (sha256, kind, ending, bytes) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`,
		f.SHA256, f.Kind, f.Ending, f.Bytes)
	if isNew {
		t.files = append(t.files, f.SHA256)
	}
	return err
}
