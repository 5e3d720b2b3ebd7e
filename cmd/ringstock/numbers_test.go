package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ringstock/spectrum/measure"
)

// numbers are the sections of a file under testdata, by the command that made each; its
// first line tells commit, day and machine.
func numbers(t *testing.T, name string) (made string, of map[string]string) {
	t.Helper()
	text := document(t, "testdata/"+name)
	made, rest, _ := strings.Cut(text, "\n")
	of = map[string]string{}
	for _, section := range strings.Split(rest, "\n## ")[1:] {
		command, out, _ := strings.Cut(section, "\n")
		of[command] = out
	}
	return strings.TrimPrefix(made, "# "), of
}

// section is that of the command that begins so.
func section(t *testing.T, of map[string]string, begin string) (command, out string) {
	t.Helper()
	for c, o := range of {
		if strings.HasPrefix(c, begin) {
			return c, o
		}
	}
	t.Fatalf("testdata/numbers.txt has nothing made by %s; run .ci/numbers", begin)
	return "", ""
}

// TestNumbersAreThoseMeasured: what the documents' tables say of accuracy and speed is
// what .ci/numbers measured last. With -update they are written anew from it.
func TestNumbersAreThoseMeasured(t *testing.T) {
	made, of := numbers(t, "numbers.txt")
	columns := regexp.MustCompile(` {2,}| *[/|] *| +`)
	round := func(text string, decimals int) string {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return text
		}
		return strconv.FormatFloat(x, 'f', decimals, 64)
	}

	command, out := section(t, of, "go test ./spectrum -run AccuracyTable")
	var accuracy []string
	for _, line := range strings.Split(out, "\n") {
		name := strings.TrimSpace(line[:min(17, len(line))])
		f := columns.Split(strings.TrimSpace(line[min(17, len(line)):]), -1)
		if len(f) < 15 || f[0] == "" || f[0][0] < '0' || f[0][0] > '9' || slices.Contains([]string{"noise suppression", "automatic gain", "limiter"}, name) {
			continue // the head; and recordings that a device altered, whose decays are not the wood's
		}
		accuracy = append(accuracy, fmt.Sprintf("| %s | %s of %s | %s | %s / %s | %s %% / %s %% | %s / %s / %s %% |",
			name, f[1], f[0], f[2], f[3], round(f[4], 2), round(f[5], 1), round(f[6], 1), f[10], f[11], f[12]))
	}
	compare(t, "README.md", []string{command, made}, "| recordings | wrong note |", accuracy)

	command, out = section(t, of, "go test ./spectrum -run BoundTable")
	var bound []string
	for _, line := range strings.Split(out, "\n") {
		name := strings.TrimSpace(line[:min(44, len(line))])
		f := columns.Split(strings.TrimSpace(line[min(44, len(line)):]), -1)
		if len(f) < 10 || f[0][0] < '0' || f[0][0] > '9' || !shown.MatchString(name) {
			continue
		}
		bound = append(bound, fmt.Sprintf("| %s | %s + %s of %s | %s | %s | %s / %s %% | %s / %s %% |", strings.ReplaceAll(name, ", -", ", −"),
			f[1], f[2], f[0], f[4], f[5], round(f[8], 1), round(f[9], 1), round(f[6], 0), round(f[7], 0)))
	}
	compare(t, "cmd/ringstock/manual/pages/accuracy.md", []string{command}, "| single taps | wrong + not read |", bound)

	command, out = section(t, of, "go test ./spectrum -run RoomsTable -v -args -class measured")
	compare(t, "README.md", []string{command}, "| in measured rooms |", rowsOf(out, inRooms, "$2, $3", roomColumns))
	var boxes []string
	for _, class := range []string{"modes", "images"} {
		_, out = section(t, of, "go test ./spectrum -run RoomsTable -v -args -class "+class)
		boxes = append(boxes, rowsOf(out, inRooms, "$1, $2, $3", roomColumns)...)
	}
	const page = "cmd/ringstock/manual/pages/accuracy.md"
	compare(t, page, nil, "| in boxes |", boxes)
	_, out = section(t, of, "env RINGSTOCK_SLOW=1 go test ./spectrum")
	compare(t, page, nil, "| wood that varies along the bar by |", rowsOf(out,
		`E (\d) %, density (\d) %, section ([\d.]+) % +(\d+) +([\d.]+) % +([\d.]+) % +([\d.]+) % +([\d.]+) % +([\d.]+) %`,
		"E $1 %, density $2 %, section $3 %", "$4 | $5 % | $6 % | $7 % | $8 % | $9 %"))
	compare(t, page, nil, "| lengthwise note, Q |", rowsOf(out, `(\d+-\d+) +(expected|unknown) +(\d+) +([\d.]+) % +(\d+) +(\d+) % +(\d+) %`,
		"$1, $2 before", "$4 % | $5 of $3 | $6 / $7 %"))
	_, out = section(t, of, "env RINGSTOCK_SLOW=1 go test ./grading/wood")
	compare(t, page, nil, "| taps; E and section vary by |", rowsOf(out, `(\w[a-z, ]+?) +E (\d) %, section ([\d.]+) % +([\d.]+) % +\S+ +(\d+) % +(\d+) % +(\d+ of \d+)`,
		"$1; $2 %, $3 %", "$4 % | $5 / $6 % | $7"))
	compare(t, page, nil, "| hidden in an even blank |", rowsOf(out, `"(heavy|soft|)": named in (\d+ of \d+), within 60 mm in (\d+), inside 2u in (\d+), of the right kind in (\d+)`,
		"$1", "$2 | $3 | $4 | $5"))

	_, out = section(t, of, "go test ./spectrum ./capture/wavfile")
	took := map[string]float64{}
	for _, m := range regexp.MustCompile(`(?m)^Benchmark(\S+)\s+\d+\s+(\d+) ns/op(?:\s+([\d.]+) cpu-ms/op)?`).FindAllStringSubmatch(out, -1) {
		ns, _ := strconv.ParseFloat(m[2], 64)
		took[m[1]] = ns / 1e6
		if cpu, err := strconv.ParseFloat(m[3], 64); err == nil {
			took[m[1]] = cpu
		}
	}
	var speed []string
	for _, row := range [][2]string{{"the whole way from file to JSON", "FileToJSON"}, {"reading 24-bit samples", "ReadWAV/12s-48kHz-24bit-1ch"},
		{"finding the taps", "FindTaps"}, {"analysing them", "Analyse"}, {"a bar that was callipered at 300 stations, 14 modes of four kinds", "Blank/300_calliper_stations"}} {
		ms, ok := took[row[1]]
		if !ok {
			t.Errorf("testdata/numbers.txt has no benchmark %s", row[1])
		}
		figures := 1
		if ms >= 10 {
			figures = 0
		}
		speed = append(speed, fmt.Sprintf("| %s | %.*f |", row[0], figures, ms))
	}
	compare(t, "README.md", nil, "| a recording of 12 s", speed)
}

// TestStockIsAsFastAsTold: the README's table of large stocks is what .ci/numbers stock
// measured last. With -update it is written anew from it.
func TestStockIsAsFastAsTold(t *testing.T) {
	made, of := numbers(t, "stock.txt")
	var rows []string
	for _, sticks := range []string{"20000", "100000"} {
		out := ""
		for command, said := range of {
			if strings.HasPrefix(command, "env RINGSTOCK_BENCH_STICKS="+sticks+" ") {
				out = said
			}
		}
		if out == "" && sticks != "20000" {
			continue // takes long, and is not always measured
		}
		row := "| " + sticks[:len(sticks)-3] + " 000"
		for _, act := range []string{"Open", "FilteredList", "Show", "Add300", "Due", "Labels", "Statement", "CheckWithoutHashes"} {
			m := regexp.MustCompile(`(?m)^Benchmark` + act + `(?:-\d+)?\s+\d+\s+(\d+) ns/op`).FindStringSubmatch(out)
			if m == nil {
				t.Fatalf("testdata/stock.txt has no benchmark %s of %s sticks", act, sticks)
			}
			ns, _ := strconv.ParseFloat(m[1], 64)
			s, _ := measure.Of(ns/1e9, ns/1e9/20).Rounded()
			row += " | " + s
		}
		rows = append(rows, row+" |")
	}
	compare(t, "README.md", []string{made}, "| sticks |", rows)
}

// shown are the rows of the table of bounds that the manual has: of each kind the
// ends and the middle.
var shown = regexp.MustCompile(`^(white noise, Q (100, 40 dB, 3|200, 10 dB, 3|200, 20 dB|400, 30 dB, 3)|hum (0\.[13]|1\.0|10\.0) Hz away, -15|hum 0\.3 Hz away, 0|room|pair .*30 dB|pair 1\.0 .*20 dB)`)

// A row of the table of rooms, and what the documents have of it.
const (
	inRooms = `(measured|modes|images) +(near|arm) +(RT60 .+? s) +(\d+) +(\d+) +(\d+) +\| +([\d.]+) +([\d.]+) +([\d.]+) +([\d.]+) +(\d+) +(\d+) +(\d+) ` +
		` *\| +([\d.]+) +([\d.]+) \| +(\d+) +(\d+/\d+) +(\d+)`
	roomColumns = "$5 of $4 | $6 + $12 | $9 % / $10 % | $7 / $8 % | $14 / $15 % | $11 | $13 | $16"
)

// rowsOf makes a table's rows of the lines that match a pattern.
func rowsOf(out, pattern, name, columns string) (rows []string) {
	line := regexp.MustCompile(pattern)
	for _, m := range line.FindAllStringSubmatchIndex(out, -1) {
		row := string(line.ExpandString(nil, name, out, m))
		if row == "" {
			row = "nothing"
		}
		rows = append(rows, fmt.Sprintf("| %s | %s |", row, line.ExpandString(nil, columns, out, m)))
	}
	return rows
}

// compare holds a document's table to rows, and looks that it says of each told.
func compare(t *testing.T, name string, told []string, head string, rows []string) {
	t.Helper()
	text := document(t, name)
	at := strings.Index(text, "\n"+head)
	if at < 0 {
		t.Fatalf("%s has no table with the head %q", name, head)
	}
	before, table := text[:at+1], text[at+1:]
	lines := strings.SplitAfter(table, "\n")
	n := 2
	for n < len(lines) && strings.HasPrefix(lines[n], "|") {
		n++
	}
	want := strings.Join(lines[:2], "") + strings.Join(rows, "\n") + "\n"
	if *update {
		for _, one := range told { // what was told before, in its own line
			begin, _, _ := strings.Cut(one, " -args")
			if strings.HasPrefix(one, "commit ") {
				begin = "commit "
			}
			if all := regexp.MustCompile(`(?m)`+regexp.QuoteMeta(begin)+`.*$`).FindAllStringIndex(before, -1); len(all) > 0 {
				last := all[len(all)-1] // the table's own: others stand above
				before = before[:last[0]] + one + before[last[1]:]
			}
		}
		if err := os.WriteFile(filepath.Join(root, name), []byte(before+want+strings.Join(lines[n:], "")), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if got := strings.Join(lines[:n], ""); got != want {
		t.Errorf("%s has\n%s\nbut measured was\n%s", name, got, want)
	}
	for _, one := range told {
		if !strings.Contains(text, one) {
			t.Errorf("%s does not say %q", name, one)
		}
	}
}
