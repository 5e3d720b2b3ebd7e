package stock

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ringstock/grading"
)

// slow asks for the long form of the fault tests.
var slow = os.Getenv("RINGSTOCK_SLOW") != ""

// A fault test starts this binary again in one of these parts and kills it, starves it
// or runs it beside another.
func TestMain(m *testing.M) {
	part, ok := os.LookupEnv("RINGSTOCK_TEST_PART")
	if !ok {
		code := m.Run()
		removeLifetime()
		os.Exit(code)
	}
	args := strings.Split(part, "\n")
	if err := parts[args[0]](args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

var parts = map[string]func(args []string) error{
	"busy": busyPart, "events": eventsPart, "upgrade": upgradePart, "open": openPart,
}

func partCommand(ctx context.Context, binary string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, binary, "-test.run=^$")
	cmd.Env = append(os.Environ(), "RINGSTOCK_TEST_PART="+strings.Join(args, "\n"))
	return cmd
}

func openReal(dir string, steps []string) (*Store, error) {
	return Open(context.Background(), Options{Dir: dir, Now: time.Now, Create: true, Meant: true, steps: steps})
}

// acknowledge prints a line for the parent, as a command's output would be.
func acknowledge(format string, args ...any) { fmt.Printf(format+"\n", args...) }

// busyPart does everything the stock does, over and over, and says what it has done:
// add, test, move, import.
func busyPart(args []string) error {
	dir, work, export := args[0], args[1], args[2]
	s, err := openReal(dir, nil)
	if err != nil {
		return err
	}
	ctx := context.Background()
	r := rand.New(rand.NewPCG(uint64(os.Getpid()), uint64(time.Now().UnixNano())))
	for n := 0; ; n++ {
		name := fmt.Sprintf("%d-%d", os.Getpid(), n)
		file := filepath.Join(work, name+".wav")
		if err := os.WriteFile(file, bytes.Repeat([]byte(name), 2000), 0o666); err != nil {
			return err
		}
		b := inventedBlank(r, n, name, name+".wav")
		out, err := s.Add(ctx, Delivery{Folder: work, Grading: grading.Grading{Method: "invented/1", Delivery: name, Profile: "violin", Blanks: []grading.Blank{b}}, Date: "2026-03-02"})
		if err != nil {
			return err
		}
		if len(out.New) != 1 {
			return fmt.Errorf("%+v", out)
		}
		id := out.New[0].ID
		acknowledge("blank %s", id)
		if err := s.Record(ctx, Event{Blank: id, Kind: Moved, Place: "rack " + name}); err != nil {
			return err
		}
		acknowledge("place %s rack %s", id, name)
		again := file + ".again.wav"
		if err := os.WriteFile(again, bytes.Repeat([]byte("again "+name), 2000), 0o666); err != nil {
			return err
		}
		judge := Judge{Method: "invented/1", Profile: "violin", Grade: func(_ context.Context, row grading.Row, _ map[string]string) (grading.Blank, error) {
			g := b
			g.Row = row
			return g, nil
		}}
		if _, err := s.Test(ctx, Testing{Blank: id, Recording: map[string][]string{"side": {again}}}, judge); err != nil {
			return err
		}
		acknowledge("tests %s 2", id)
		if n == 0 {
			in, err := s.Import(ctx, export, false)
			if err != nil {
				return err
			}
			acknowledge("imported %d", in.Added+in.AlreadyThere)
		}
	}
}

// upgradePart brings a stock to a schema that only this test knows.
func upgradePart(args []string) error {
	s, err := openReal(args[0], append(schema(), inventedStep))
	if err != nil {
		return err
	}
	acknowledge("upgraded")
	return s.Close()
}

// inventedStep is an upgrade that takes a while, so that it can be interrupted.
const inventedStep = `
CREATE TABLE invented (n INTEGER PRIMARY KEY, v TEXT) STRICT;
INSERT INTO invented WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < 20000) SELECT n, hex(n) FROM c;
ALTER TABLE blanks ADD COLUMN invented TEXT;
UPDATE blanks SET invented = note;
`

func TestKillNine(t *testing.T) {
	kills := 8
	if slow {
		kills = 100
	}
	source, _ := open(t, t.TempDir())
	add(t, source, invented(t, "laptop", 1, 40))
	export := filepath.Join(t.TempDir(), "laptop.jsonl")
	if _, err := source.Export(t.Context(), export); err != nil {
		t.Fatal(err)
	}
	dir, work := t.TempDir(), t.TempDir()
	r := rand.New(rand.NewPCG(1, 1))
	acked := map[string]string{}
	for range kills {
		var said bytes.Buffer
		cmd := partCommand(t.Context(), os.Args[0], "busy", dir, work, export)
		var complaint bytes.Buffer
		cmd.Stdout, cmd.Stderr = &said, &complaint
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(5+r.IntN(350)) * time.Millisecond)
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // it was killed
		if complaint.Len() > 0 {
			t.Fatalf("before it was killed: %s", &complaint)
		}
		for lines := bufio.NewScanner(&said); lines.Scan(); {
			key, value, _ := strings.Cut(lines.Text(), " ")
			id, rest, _ := strings.Cut(value, " ")
			if key == "imported" {
				id, rest = "", value
			}
			acked[key+" "+id] = rest
		}
		s, err := openReal(dir, nil)
		if err != nil {
			t.Fatal(err)
		}
		mustBeSound(t, s)
		for key, value := range acked {
			kind, id, _ := strings.Cut(key, " ")
			got, err := Blank{}, error(nil)
			if id != "" {
				if got, err = s.Blank(t.Context(), id); err != nil {
					t.Fatalf("acknowledged and lost: %s: %v", key, err)
				}
			}
			switch kind {
			case "place":
				if got.Place != value {
					t.Fatalf("acknowledged place %q, found %q", value, got.Place)
				}
			case "tests":
				if strconv.Itoa(got.Tests) != value {
					t.Fatalf("acknowledged %s tests, found %d", value, got.Tests)
				}
			case "imported":
				list, err := s.List(t.Context(), nil, nil)
				if err != nil {
					t.Fatal(err)
				}
				n := 0
				for _, b := range list {
					if b.Delivery == "laptop" {
						n++
					}
				}
				if strconv.Itoa(n) != value {
					t.Fatalf("acknowledged %s imported sticks, found %d", value, n)
				}
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if len(acked) == 0 {
		t.Fatal("nothing was ever acknowledged: the test kills too early")
	}
	t.Logf("%d kills, %d acknowledgements, all kept", kills, len(acked))
}

func TestKillNineDuringUpgrade(t *testing.T) {
	kills := 4
	if slow {
		kills = 60
	}
	r := rand.New(rand.NewPCG(2, 2))
	interrupted := 0
	for range kills {
		dir := t.TempDir()
		s, _ := open(t, dir)
		add(t, s, invented(t, "visit", 1, 3))
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		var said, complaint bytes.Buffer
		cmd := partCommand(t.Context(), os.Args[0], "upgrade", dir)
		cmd.Stdout, cmd.Stderr = &said, &complaint
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(r.IntN(70)) * time.Millisecond)
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()
		if complaint.Len() > 0 {
			t.Fatal(&complaint)
		}
		done := strings.Contains(said.String(), "upgraded")
		if !done {
			interrupted++
		}
		db, err := sql.Open("sqlite", dsn(filepath.Join(dir, databaseName), "_pragma=busy_timeout(5000)"))
		if err != nil {
			t.Fatal(err)
		}
		version, err := schemaVersion(t.Context(), db)
		if err != nil {
			t.Fatal(err)
		}
		var table int
		if err := db.QueryRow(`SELECT count(*) FROM sqlite_master WHERE name = 'invented'`).Scan(&table); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		if done && version != 3 || table != version-2 {
			t.Fatalf("acknowledged %v, schema %d, %d tables of schema 3", done, version, table)
		}
		s, err = openReal(dir, append(schema(), inventedStep))
		if err != nil {
			t.Fatal(err)
		}
		if h := mustBeSound(t, s); h.Blanks != 3 {
			t.Fatalf("%d sticks", h.Blanks)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d of %d upgrades were interrupted", interrupted, kills)
}

func TestUpgradeKeepsACopyOfBefore(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, dir)
	add(t, s, invented(t, "visit", 1, 3))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := openReal(dir, append(schema(), inventedStep))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	copies, err := filepath.Glob(filepath.Join(dir, backupsName, "schema-2-*.db"))
	if err != nil || len(copies) != 1 {
		t.Fatalf("%v, %v", copies, err)
	}
	old := t.TempDir()
	if err := os.Rename(copies[0], filepath.Join(old, databaseName)); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(filepath.Join(old, "recordings"), os.DirFS(filepath.Join(dir, "recordings"))); err != nil {
		t.Fatal(err)
	}
	before, _ := open(t, old)
	if h := mustBeSound(t, before); h.Blanks != 3 {
		t.Fatalf("%d sticks in the copy", h.Blanks)
	}
}

func TestAFailedUpgradeChangesNothing(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, dir)
	add(t, s, invented(t, "visit", 1, 2))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := openReal(dir, append(schema(), `CREATE TABLE half (x); SELECT nonsense FROM nowhere;`)); err == nil || !strings.Contains(err.Error(), "nothing was changed") {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	mustBeSound(t, s)
}

// eventsPart writes n events for one stick.
func eventsPart(args []string) error {
	n, err := strconv.Atoi(args[2])
	if err != nil {
		return err
	}
	s, err := openReal(args[0], nil)
	if err != nil {
		return err
	}
	for i := range n {
		if err := s.Record(context.Background(), Event{Blank: args[1], Kind: Moved, Place: fmt.Sprintf("%d/%d", os.Getpid(), i)}); err != nil {
			return err
		}
	}
	return s.Close()
}

func TestTwoProcessesWriteAtOnce(t *testing.T) {
	each := 100
	if slow {
		each = 400
	}
	dir := t.TempDir()
	s, _ := open(t, dir)
	sticks := add(t, s, invented(t, "visit", 1, 2))
	var cmds []*exec.Cmd
	var complaints [2]bytes.Buffer
	for i, b := range sticks {
		cmd := partCommand(t.Context(), os.Args[0], "events", dir, b.ID, strconv.Itoa(each))
		cmd.Stderr = &complaints[i]
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		cmds = append(cmds, cmd)
	}
	for i, cmd := range cmds {
		if err := cmd.Wait(); err != nil {
			t.Fatalf("%v: %s", err, &complaints[i])
		}
	}
	var n int
	if err := s.db.QueryRow(`SELECT count(*) FROM events WHERE kind = 'moved'`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	if n != 2*each {
		t.Fatalf("%d events, want %d", n, 2*each)
	}
	mustBeSound(t, s)
}

// openPart opens a stock and closes it.
func openPart(args []string) error {
	s, err := openReal(args[0], nil)
	if err != nil {
		return err
	}
	return s.Close()
}

func TestStrangeFiles(t *testing.T) {
	plain := func(content string) func(t *testing.T, path string) {
		return func(t *testing.T, path string) {
			if err := os.WriteFile(path, []byte(content), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	database := func(statements string) func(t *testing.T, path string) {
		return func(t *testing.T, path string) { execute(t, path, statements) }
	}
	for name, c := range map[string]struct {
		make func(t *testing.T, path string)
		says string
	}{
		"not a database":       {plain(strings.Repeat("Dear maker, this is a letter. ", 100)), "is not a database"},
		"another program's":    {database(`CREATE TABLE shopping (item)`), "a database of another program"},
		"a newer schema":       {database(fmt.Sprintf(`CREATE TABLE x (y); PRAGMA application_id = %d; PRAGMA user_version = 99`, applicationID)), "use a newer ringstock"},
		"a folder of the name": {func(t *testing.T, path string) { os.Mkdir(path, 0o777) }, "is not a file"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, databaseName)
			c.make(t, path)
			before, _ := os.ReadFile(path)
			_, err := openReal(dir, nil)
			if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), dir) {
				t.Fatal(err)
			}
			if after, _ := os.ReadFile(path); !bytes.Equal(before, after) && name != "a newer schema" {
				t.Error("the file was changed")
			}
		})
	}
	t.Run("nothing", func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "none")
		_, err := Open(t.Context(), Options{Dir: dir, Now: time.Now})
		if !errors.Is(err, ErrNone) || !strings.Contains(err.Error(), dir) {
			t.Fatal(err)
		}
		if _, err := os.Stat(dir); err == nil {
			t.Error("looking for a stock made a folder")
		}
	})
}

// grown is the folder of a stock of many pages with its latest act still in the -wal
// file, as a power cut leaves it behind.
func grown(t *testing.T) (dir, lastID string) {
	t.Helper()
	dir = t.TempDir()
	live := t.TempDir()
	s, _ := open(t, live)
	add(t, s, invented(t, "visit", 1, 40))
	if _, err := s.db.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		t.Fatal(err)
	}
	for _, b := range add(t, s, invented(t, "late", 1, 3)) {
		lastID = b.ID
	}
	return copied(t, live, dir), lastID
}

func copied(t *testing.T, from, to string) string {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	return to
}

func TestCutWAL(t *testing.T) {
	crashed, lastID := grown(t)
	for name, cut := range map[string]func(path string) error{
		"whole":      func(string) error { return nil },
		"cut in two": func(path string) error { return os.Truncate(path, 9000) },
		"emptied":    func(path string) error { return os.Truncate(path, 0) },
		"lost":       os.Remove,
	} {
		t.Run(name, func(t *testing.T) {
			dir := copied(t, crashed, t.TempDir())
			if err := cut(filepath.Join(dir, databaseName+"-wal")); err != nil {
				t.Fatal(err)
			}
			s, err := openReal(dir, nil)
			if name == "whole" {
				if err != nil {
					t.Fatal(err)
				}
				defer s.Close()
				if _, err := s.Blank(t.Context(), lastID); err != nil {
					t.Fatal(err)
				}
				mustBeSound(t, s)
				return
			}
			if err == nil || !strings.Contains(err.Error(), "the ledger in "+dir) || !strings.Contains(err.Error(), "backup") {
				t.Fatal(err)
			}
		})
	}
}

func TestDamagedPages(t *testing.T) {
	whole, _ := grown(t)
	s, err := openReal(whole, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil { // brings the -wal file in
		t.Fatal(err)
	}
	sound, err := os.ReadFile(filepath.Join(whole, databaseName))
	if err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(30) {
		dir := t.TempDir()
		path := filepath.Join(dir, databaseName)
		b := bytes.Clone(sound)
		r := rand.New(rand.NewPCG(seed, 5))
		page := 1 + r.IntN(len(b)/4096-1)
		for i := range 4096 {
			b[4096*page+i] = byte(r.Uint32())
		}
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		s, err := openReal(dir, nil)
		if err != nil {
			if !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "backup") {
				t.Fatalf("page %d: %v", page, err)
			}
			continue
		}
		h, err := s.Check(t.Context(), false)
		if err != nil {
			t.Fatal(err)
		}
		damage := slices.IndexFunc(h.Problems, func(p string) bool { return strings.Contains(p, "damaged") && strings.Contains(p, "backup") })
		if h.OK || damage < 0 {
			t.Errorf("page %d is noise and check says %q", page, h.Problems)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A fact about something that is not there is found, the quick way too, which does not
// ask SQLite for all of them.
func TestFactsAboutNothing(t *testing.T) {
	for name, statement := range map[string]string{
		"an event":      `INSERT INTO events SELECT NULL, 'e', 'nobody', lot, date, recorded_at, 'moved', 'x', party, reference, grade, reason, corrects, fields, 1 FROM events WHERE kind = 'bought' LIMIT 1`,
		"a reading":     `INSERT INTO readings SELECT NULL, 'r', 'nobody', date, recorded_at, quantity, value, u, instrument, temperature_c, humidity_pct, remark, 1 FROM readings WHERE quantity = 'mass_g' LIMIT 1`,
		"another one":   `INSERT INTO readings SELECT NULL, 'r', 'nobody', date, recorded_at, quantity, value, u, instrument, temperature_c, humidity_pct, remark, 1 FROM readings WHERE quantity = 'length_mm' LIMIT 1`,
		"a result":      `INSERT INTO results VALUES ('nothing', '{}')`,
		"a document":    `INSERT INTO documents VALUES (NULL, 'd', 'L', 'permit', '1', '', NULL, NULL, 'no file', '', '2026-03-02', '', 1)`,
		"a recording":   `INSERT INTO test_recordings SELECT test, 'end', 7, 'no file', name FROM test_recordings LIMIT 1`,
		"a test's test": `INSERT INTO test_recordings SELECT 'nothing', role, position, sha256, name FROM test_recordings LIMIT 1`,
	} {
		t.Run(name, func(t *testing.T) {
			s, _ := open(t, t.TempDir())
			add(t, s, invented(t, "visit", 1, 2))
			execute(t, filepath.Join(s.Dir(), databaseName), statement)
			for _, thoroughly := range []bool{false, true} {
				if h, err := s.Check(t.Context(), thoroughly); err != nil || h.OK {
					t.Errorf("thoroughly %v: nothing is found, %v", thoroughly, err)
				}
			}
		})
	}
}

func TestDamagedRecordings(t *testing.T) {
	for name, c := range map[string]struct {
		harm func(path string) error
		says string
	}{
		"gone": {os.Remove, "is missing"},
		"cut":  {func(path string) error { return os.Truncate(path, 3) }, "has 3 bytes"},
		"altered": {func(path string) error {
			return os.WriteFile(path, []byte("invented sound of stick 7 of visit"), 0o666)
		}, "is not what it was"},
	} {
		t.Run(name, func(t *testing.T) {
			s, _ := open(t, t.TempDir())
			add(t, s, invented(t, "visit", 1, 1))
			f, err := scanFile(s.db.QueryRow(`SELECT sha256, kind, ending, bytes FROM files`))
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(s.Dir(), f.name())
			if err := c.harm(path); err != nil {
				t.Fatal(err)
			}
			h, err := s.Check(t.Context(), true)
			if err != nil {
				t.Fatal(err)
			}
			if h.OK || len(h.Problems) != 1 || !strings.Contains(h.Problems[0], c.says) || !strings.Contains(h.Problems[0], path) {
				t.Fatalf("%+v", h)
			}
		})
	}
}

func TestBackupIsAWholeStock(t *testing.T) {
	s, _ := open(t, t.TempDir())
	add(t, s, invented(t, "visit", 1, 5))
	dir := filepath.Join(t.TempDir(), "backup")
	h, err := s.Backup(t.Context(), dir)
	if err != nil || !h.OK || h.Blanks != 5 || h.Files != 5 {
		t.Fatalf("%+v, %v", h, err)
	}
	if _, err := s.Backup(t.Context(), dir); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Fatalf("written over an older backup: %v", err)
	}
	copied, _ := open(t, dir)
	record(t, copied, say(Moved, add(t, copied, invented(t, "more", 1, 1))[0].ID, "2026-05-05"))
	mustBeSound(t, copied)
}

// execute changes a database behind the stock's back, foreign keys unheeded.
func execute(t *testing.T, path, statements string) {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(statements); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}
