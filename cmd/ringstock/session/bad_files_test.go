//go:build unix

package session_test

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"unicode/utf16"

	"ringstock/capture/synth/cases"
	"ringstock/grading"
)

// TestBadFilesAreSetAside: whatever lies in a folder of an earlier session, it is named
// with what is wrong, nothing of it is lost, and the session goes on.
func TestBadFilesAreSetAside(t *testing.T) {
	rec, _ := cases.Bar(6).InRoom().SNR(32).Starting(1.5).Taps(2).Render()
	// The folder of a session with two taps, and what is kept beside one of them.
	earlier := t.TempDir()
	set := settings(t, earlier)
	set.Blank = "B9"
	if _, h, err := listen(t, set, play(rec), nil); err != nil || len(h.good()) != 2 {
		t.Fatal(err, h.taps)
	}
	write := func(t *testing.T, path string, text []byte) {
		t.Helper()
		if err := os.WriteFile(path, text, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	remake := func(how func(path string) error) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			t.Helper()
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
			if err := how(path); err != nil {
				t.Fatal(err)
			}
		}
	}
	pipe := remake(func(path string) error { return syscall.Mkfifo(path, 0o666) })
	link := remake(func(path string) error { return os.Symlink(filepath.Join(earlier, filepath.Base(path)), path) })
	folder := remake(func(path string) error { return os.Mkdir(path, 0o777) })
	sixteen := func(text string) []byte { // as another program's "Unicode text" has it
		b := []byte{0xff, 0xfe}
		for _, u := range utf16.Encode([]rune(text)) {
			b = binary.LittleEndian.AppendUint16(b, u)
		}
		return b
	}
	const table = grading.TableName
	for _, c := range []struct {
		name, file string
		spoil      func(t *testing.T, path string)
		told       string // in a notice; empty where the file can be read after all
		good       int    // taps that count with one more session of two
	}{
		{"a recording that is none", "B9-01.wav", func(t *testing.T, path string) { write(t, path, []byte("no sound")) }, "B9-01.wav", 3},
		{"a recording that is a pipe", "B9-01.wav", pipe, "B9-01.wav", 3},
		{"a recording that is a folder", "B9-01.wav", folder, "B9-01.wav", 3},
		{"a recording that is empty", "B9-02.wav", func(t *testing.T, path string) { write(t, path, nil) }, "B9-02.wav", 3},
		{"a record that is a pipe", "B9-01.tap.json", pipe, "B9-01.tap.json", 3},
		{"a record that is a link", "B9-01.tap.json", link, "B9-01.tap.json", 3},
		{"a record that is huge", "B9-01.tap.json", func(t *testing.T, path string) { write(t, path, bytes.Repeat([]byte(" "), 5<<20)) }, "it has 5 MB", 3},
		{"a record that is none", "B9-01.tap.json", func(t *testing.T, path string) { write(t, path, []byte("{")) }, "B9-01.tap.json", 3},
		{"a table that is a pipe", table, pipe, "delivery-set-aside-1.csv", 4},
		{"a table that is a link", table, link, "delivery-set-aside-1.csv", 4},
		{"a table that is a folder", table, folder, "delivery-set-aside-1.csv", 4},
		{"a table that is huge", table, func(t *testing.T, path string) {
			write(t, path, append([]byte("blank,file\n"), bytes.Repeat([]byte("A1,x.wav\n"), 8<<20)...))
		}, "delivery-set-aside-1.csv", 4},
		{"a table of no columns", table, func(t *testing.T, path string) { write(t, path, []byte{0, 1, 2, 0xff, 0xfe, 0}) }, "delivery-set-aside-1.csv", 4},
		{"a table in UTF-16", table, func(t *testing.T, path string) { write(t, path, sixteen("blank,file,note\r\nB9,,lärche\r\n")) }, "delivery-set-aside-1.csv", 4},
	} {
		t.Run(c.name, func(t *testing.T) {
			at := t.TempDir()
			if err := os.CopyFS(at, os.DirFS(earlier)); err != nil {
				t.Fatal(err)
			}
			c.spoil(t, filepath.Join(at, c.file))
			set := settings(t, at)
			set.Blank = "B9"
			s, h, err := listen(t, set, play(rec), nil)
			if err != nil {
				t.Fatal(err)
			}
			if c.told != "" && !slices.ContainsFunc(h.notices, func(n string) bool { return strings.Contains(n, c.told) }) {
				t.Errorf("not told: %q", h.notices)
			}
			if len(h.good()) != 2 || h.taps[len(h.taps)-1].Count != c.good || s.Unread() != 1 {
				t.Errorf("good %v, %d of them count, want %d; %d files unread: %q", h.good(), h.taps[len(h.taps)-1].Count, c.good, s.Unread(), h.notices)
			}
			d, err := grading.ReadDelivery(os.DirFS(at))
			if err != nil || len(d.Rows) != 1 {
				t.Fatal(err, d.Rows)
			}
			for _, name := range h.good() {
				if !slices.Contains(d.Rows[0].File, name) {
					t.Errorf("%s is not in the table: %v", name, d.Rows[0].File)
				}
			}
		})
	}
}
