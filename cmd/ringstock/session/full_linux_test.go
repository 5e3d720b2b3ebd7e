package session_test

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"ringstock/capture/filefault"
	"ringstock/capture/wavfile"
)

// A full disk ends the session with what to do; what was told before is whole.
func TestDiskFull(t *testing.T) {
	folder := t.TempDir()
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, "size=1m"); err != nil {
		t.Skipf("needs a small disk, which only root can mount: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(folder, 0) })
	rec, _ := plainBar(3)
	set := settings(t, folder)
	set.HandsFree = true
	_, h, err := listen(t, set, play(rec), nil)
	if err == nil || !strings.Contains(filefault.Text(err), "the disk is full: free some space, then try again; start again with this folder") {
		t.Fatal(err)
	}
	good := h.good()
	if len(good) == 0 {
		t.Fatal("the disk was too small for a single tap")
	}
	if found := names(t, folder, "*.wav"); len(found) != len(good) {
		t.Errorf("told of %v, there are %v", good, found)
	}
	for _, name := range good {
		if r, err := wavfile.Open(filepath.Join(folder, name)); err != nil || len(r.Warnings) > 0 {
			t.Error(err, r.Warnings)
		}
	}
	if part := names(t, folder, ".*.part"); len(part) > 0 {
		t.Errorf("left: %v", part)
	}
}
