package stock

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"ringstock/grading"
)

func init() { parts["durable"] = durablePart }

// durablePart enters a delivery, an event and an export, and says after each that it is
// done.
func durablePart(args []string) error {
	dir, work := args[0], args[1]
	s, err := openReal(dir, nil)
	if err != nil {
		return err
	}
	acknowledge("opened")
	file := filepath.Join(work, "1.wav")
	if err := os.WriteFile(file, bytes.Repeat([]byte("sound"), 999), 0o666); err != nil {
		return err
	}
	b := inventedBlank(rand.New(rand.NewPCG(1, 1)), 1, "visit", "1.wav")
	out, err := s.Add(context.Background(), Delivery{Folder: work, Grading: grading.Grading{Method: "invented/1", Delivery: "visit", Profile: "violin", Blanks: []grading.Blank{b}}, Date: "2026-03-02"})
	if err != nil {
		return err
	}
	acknowledge("added")
	if err := s.Record(context.Background(), Event{Blank: out.New[0].ID, Kind: Moved, Place: "rack 2", Date: "2026-03-03"}); err != nil {
		return err
	}
	acknowledge("moved")
	if _, err := s.Export(context.Background(), filepath.Join(work, "out.jsonl")); err != nil {
		return err
	}
	acknowledge("exported")
	return nil // the end of the process is no part of what was acknowledged
}

// disk is what a disk may have lost after a power cut: what was written to a file since
// it was last synced, and the names in a folder since the folder was.
type disk struct {
	unsynced map[string]bool // files with bytes that are not on the disk yet
	unnamed  map[string]bool // folders with names that are not on the disk yet
}

// TestNothingAcknowledgedWaitsForTheDisk follows the system calls of a stock. Whenever it
// says that something is done, every byte it wrote to the ledger, to a kept file or to an
// export must have been synced, and so must the folders in which names came or changed;
// and no file may get its name before its bytes are on the disk.
func TestNothingAcknowledgedWaitsForTheDisk(t *testing.T) {
	strace := tool(t, "strace", "strace")
	dir, work := filepath.Join(t.TempDir(), "stock"), t.TempDir()
	log := filepath.Join(t.TempDir(), "calls")
	cmd := exec.CommandContext(t.Context(), strace, "-f", "-y", "-s", "40", "-o", log, "-e", "trace=write,pwrite64,fsync,fdatasync,rename,renameat,renameat2,unlink,unlinkat", os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), "RINGSTOCK_TEST_PART="+strings.Join([]string{"durable", dir, work}, "\n"))
	if out, err := cmd.CombinedOutput(); err != nil {
		if strings.Contains(string(out), "ptrace") {
			t.Skipf("no right to follow a process: %s", out)
		}
		t.Fatalf("%v: %s", err, out)
	}
	calls, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	d := disk{map[string]bool{}, map[string]bool{}}
	acknowledged, renamed, synced := 0, 0, 0
	inside := func(path string) bool {
		// The head file may be behind, and -shm is made anew.
		return (strings.HasPrefix(path, dir) || strings.HasPrefix(path, work+"/out") || strings.Contains(path, ".unfinished-")) && filepath.Base(path) != headName && !strings.HasSuffix(path, "-shm") && !strings.Contains(path, ".writable-")
	}
	for _, line := range joinCalls(string(calls)) {
		switch {
		case writeCall.MatchString(line):
			m := writeCall.FindStringSubmatch(line)
			if word := ackWord.FindStringSubmatch(line); strings.HasPrefix(m[1], "1<") && word != nil {
				acknowledged++
				for f := range d.unsynced {
					t.Errorf("%q was said while %s was not on the disk", word[1], f)
				}
				for f := range d.unnamed {
					t.Errorf("%q was said while the names in %s were not on the disk", word[1], f)
				}
			} else if path := pathOf(m[1]); inside(path) {
				d.unsynced[path] = true
			}
		case syncCall.MatchString(line):
			path := pathOf(syncCall.FindStringSubmatch(line)[1])
			delete(d.unsynced, path)
			delete(d.unnamed, path)
			synced++
		case renameCall.MatchString(line):
			m := renameCall.FindStringSubmatch(line)
			if !inside(m[2]) {
				continue
			}
			renamed++
			if d.unsynced[m[1]] {
				t.Errorf("%s got its name before its bytes were on the disk", m[2])
			}
			d.unnamed[filepath.Dir(m[2])] = true
		case strings.Contains(line, "unlink"):
			for f := range d.unsynced {
				if strings.Contains(line, `"`+f+`"`) {
					delete(d.unsynced, f)
				}
			}
		}
	}
	if acknowledged != 4 || renamed < 3 || synced < 6 {
		t.Fatalf("%d acknowledgements, %d renames, %d syncs: the calls were not understood", acknowledged, renamed, synced)
	}
}

var (
	writeCall  = regexp.MustCompile(`(?:write|pwrite64)\((\d+<[^>]*>)`)
	syncCall   = regexp.MustCompile(`(?:fsync|fdatasync)\((\d+<[^>]*>)`)
	renameCall = regexp.MustCompile(`rename(?:at2?)?\((?:AT_FDCWD(?:<[^>]*>)?, )?"([^"]+)", (?:AT_FDCWD(?:<[^>]*>)?, )?"([^"]+)"`)
	ackWord    = regexp.MustCompile(`"(opened|added|moved|exported)\\n"`)
)

// pathOf is the path in "7</tmp/x>".
func pathOf(fd string) string {
	_, path, _ := strings.Cut(strings.TrimSuffix(fd, ">"), "<")
	return path
}

// joinCalls puts together calls that another thread interrupted, at the place where they
// ended; a write counts from where it began.
func joinCalls(log string) (out []string) {
	begun := map[string]string{}
	for line := range strings.Lines(log) {
		thread, call, _ := strings.Cut(strings.TrimSpace(line), " ")
		call = strings.TrimSpace(call)
		switch {
		case strings.HasSuffix(call, "<unfinished ...>"):
			begun[thread] = strings.TrimSuffix(call, "<unfinished ...>")
			if writeCall.MatchString(call) {
				out = append(out, call)
			}
		case strings.HasPrefix(call, "<..."):
			if !writeCall.MatchString(begun[thread]) {
				out = append(out, begun[thread]+call)
			}
		default:
			out = append(out, call)
		}
	}
	return out
}

// The pragma that makes a commit wait for the disk is the one that holds on every
// connection.
func TestEveryConnectionWaitsForTheDisk(t *testing.T) {
	s, _ := open(t, t.TempDir())
	for range 3 {
		c, err := s.db.Conn(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		for pragma, want := range map[string]string{"synchronous": "2", "journal_mode": "wal", "foreign_keys": "1"} {
			var got string
			if err := c.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got); err != nil || got != want {
				t.Errorf("%s is %s, want %s; %v", pragma, got, want, err)
			}
		}
	}
}

// Known ids: the length before each part keeps ("ab", "c") from being ("a", "bc"), and
// ids that stocks already hold must stay what they are.
func TestIdsKeepTheirParts(t *testing.T) {
	seen := map[string]string{}
	for _, parts := range [][]string{{"ab", "c"}, {"a", "bc"}, {"abc"}, {"", "abc"}, {"abc", ""}, {"1:a"}, {"a", "1:"}} {
		id := idOf(parts...)
		if other, ok := seen[id]; ok {
			t.Errorf("%q has the id of %s", parts, other)
		}
		seen[id] = fmt.Sprintf("%q", parts)
	}
	// SHA-256 of "6:bought3:abc", its first 80 bits in Crockford's alphabet, by
	// coreutils.
	if got := idOf("bought", "abc"); got != "ngyanqcmbxqfcv24" {
		t.Errorf("idOf: %s", got)
	}
}
