package stock

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"ringstock/grading"
)

func init() { parts["fill"] = fillPart }

// fillPart enters sticks until the file size limit of this process stops it.
func fillPart(args []string) error {
	signal.Ignore(syscall.SIGXFSZ)
	limit, err := strconv.ParseUint(args[2], 10, 64)
	if err != nil {
		return err
	}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: limit, Max: limit}); err != nil {
		return err
	}
	return fill(args[0], args[1])
}

func fill(dir, work string) error {
	s, err := openReal(dir, nil)
	if err != nil {
		return err
	}
	r := rand.New(rand.NewPCG(3, 3))
	for n := range 5000 {
		name := fmt.Sprintf("fill %d", n)
		file := filepath.Join(work, name+".wav")
		if err := os.WriteFile(file, []byte(name), 0o666); err != nil {
			return err
		}
		out, err := s.Add(context.Background(), Delivery{Folder: work, Grading: grading.Grading{Method: "invented/1", Delivery: name, Blanks: []grading.Blank{inventedBlank(r, n, name, name+".wav")}}})
		if err != nil {
			return errors.Join(err, s.Close())
		}
		acknowledge("blank %s", out.New[0].ID)
	}
	return errors.New("the disk was never full")
}

func TestFullDisk(t *testing.T) {
	check := func(t *testing.T, dir, complaint, said string) {
		t.Helper()
		if !strings.Contains(complaint, "make space") && !strings.Contains(complaint, "disk is full or faulty") || !strings.Contains(complaint, dir) {
			t.Fatalf("the complaint names no way out: %s", complaint)
		}
		s, err := openReal(dir, nil) // space was made
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		mustBeSound(t, s)
		n := 0
		for lines := bufio.NewScanner(strings.NewReader(said)); lines.Scan(); n++ {
			if _, err := s.Blank(t.Context(), strings.TrimPrefix(lines.Text(), "blank ")); err != nil {
				t.Fatal(err)
			}
		}
		if n == 0 {
			t.Fatal("nothing was entered before the disk was full")
		}
		add(t, s, invented(t, "after", 1, 3))
		mustBeSound(t, s)
	}
	t.Run("file size limit", func(t *testing.T) {
		dir := t.TempDir()
		var said, complaint bytes.Buffer
		cmd := partCommand(t.Context(), os.Args[0], "fill", dir, t.TempDir(), "600000")
		cmd.Stdout, cmd.Stderr = &said, &complaint
		if err := cmd.Run(); err == nil {
			t.Fatal("no error")
		}
		check(t, dir, complaint.String(), said.String())
	})
	t.Run("small file system", func(t *testing.T) {
		if !slow {
			t.Skip("only with RINGSTOCK_SLOW=1")
		}
		dir := t.TempDir()
		if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=2m"); err != nil {
			t.Skipf("no right to mount a small file system: %v", err)
		}
		defer func() {
			if err := syscall.Unmount(dir, 0); err != nil {
				t.Error(err)
			}
		}()
		out, w, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		old := os.Stdout
		os.Stdout = w
		var said []byte
		done := make(chan error)
		go func() {
			var err error
			said, err = io.ReadAll(out)
			done <- err
		}()
		err = fill(dir, t.TempDir())
		os.Stdout = old
		if e := errors.Join(w.Close(), <-done); e != nil {
			t.Fatal(e)
		}
		if err == nil {
			t.Fatal("no error")
		}
		if e := syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT, "size=8m"); e != nil {
			t.Fatal(e)
		}
		check(t, dir, err.Error(), string(said))
	})
}

// public is a temporary folder that every user of the machine may enter.
func public(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "ringstock-test-*")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestReadOnlyFolder(t *testing.T) {
	dir := public(t)
	s, _ := open(t, dir)
	add(t, s, invented(t, "visit", 1, 1))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	binary := os.Args[0]
	cmd := partCommand(t.Context(), binary, "open", dir)
	if os.Geteuid() == 0 {
		// The superuser may write anywhere: let somebody else try.
		b, err := os.ReadFile(binary)
		if err != nil {
			t.Fatal(err)
		}
		copied := filepath.Join(public(t), "test")
		if err := os.WriteFile(copied, b, 0o755); err != nil {
			t.Fatal(err)
		}
		cmd = partCommand(t.Context(), copied, "open", dir)
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	} else {
		if err := os.Chmod(dir, 0o555); err != nil {
			t.Fatal(err)
		}
		defer os.Chmod(dir, 0o755)
	}
	out, err := cmd.CombinedOutput()
	if err == nil || !strings.Contains(string(out), dir) || !strings.Contains(string(out), "the right to write") {
		t.Fatalf("%v: %s", err, out)
	}
}
