package spectrum

import (
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
)

var (
	moved     = flag.String("thresholds", "", "names, as a regular expression, of thresholds that TestThresholdsMoved halves and doubles")
	readingTo = flag.String("readings", "", "file that TestReadings writes to")
)

// threshold is a numeric constant of a stage.
type threshold struct {
	name, file, told string
	value            float64
	from, to         int // of its number in the file
}

// thresholds lists those of all stages.
func thresholds(t *testing.T) (list []threshold) {
	t.Helper()
	fset := token.NewFileSet()
	for _, name := range chain {
		if name == "draw.go" || name == "ring.go" { // pictures and names: nothing is decided there
			continue
		}
		file, err := parser.ParseFile(fset, name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		for _, decl := range file.Decls {
			consts, ok := decl.(*ast.GenDecl)
			if !ok || consts.Tok != token.CONST {
				continue
			}
			for _, spec := range consts.Specs {
				spec := spec.(*ast.ValueSpec)
				for i, v := range spec.Values {
					number, ok := v.(*ast.BasicLit)
					if !ok || number.Kind == token.STRING {
						continue
					}
					x, err := strconv.ParseFloat(number.Value, 64)
					if err != nil {
						t.Fatal(err)
					}
					told := spec.Comment.Text() + spec.Doc.Text()
					if len(consts.Specs) == 1 {
						told += consts.Doc.Text()
					}
					list = append(list, threshold{spec.Names[i].Name, name, told, x,
						fset.Position(number.Pos()).Offset, fset.Position(number.End()).Offset})
				}
			}
		}
	}
	return list
}

// TestThresholdsTold: each threshold says what it is and why.
func TestThresholdsTold(t *testing.T) {
	list := thresholds(t)
	for _, c := range list {
		if c.told == "" {
			t.Errorf("%s: %s = %g has no comment", c.file, c.name, c.value)
		}
	}
	if len(list) < 80 {
		t.Errorf("only %d thresholds are found", len(list))
	}
}

// seen is what one recording gives.
type seen struct {
	Taps             int
	Hz, Q, Purity    float64
	HzU, QU, PurityU float64
}

// TestReadings writes what two recordings of each class give, for TestThresholdsMoved.
func TestReadings(t *testing.T) {
	if *readingTo == "" {
		t.Skip("only for TestThresholdsMoved")
	}
	var all []seen
	for _, class := range cases.Classes() {
		for seed := range uint64(2) {
			rec, _ := class.Case(640100 + seed).Render()
			var s seen
			if r := Analyse(capture.FindTaps(rec), SideTap).Ring; r != nil {
				f, p := r.Fundamental, r.PurityPct
				s = seen{r.TapsUsed, f.Hz.X, f.Q.X, p.X, f.Hz.U, f.Q.U, p.U}
			}
			all = append(all, s)
		}
	}
	raw, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(*readingTo, raw, 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestThresholdsMoved tells how far note, Q and purity of 30 recordings move, in units of
// their own uncertainty, when a threshold is halved or doubled. Some seconds for each:
//
//	go test ./spectrum -run ThresholdsMoved -v -timeout 2h -args -thresholds '.'
func TestThresholdsMoved(t *testing.T) {
	if *moved == "" {
		t.Skip("give -args -thresholds REGEXP")
	}
	which, err := regexp.Compile(*moved)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	was := readings(t, dir, nil)
	for _, c := range thresholds(t) {
		if !which.MatchString(c.name) {
			continue
		}
		line := fmt.Sprintf("%-18s %-12s %8g", c.file, c.name, c.value)
		for _, factor := range []float64{0.5, 2} {
			line += fmt.Sprintf("   times %g: %s", factor, differ(was, readings(t, dir, &threshold{c.name, c.file, "", c.value * factor, c.from, c.to})))
		}
		t.Log(line)
	}
}

// differ tells in words how far two lists of readings are from each other.
func differ(was, now []seen) string {
	if now == nil {
		return "does not compile or fails"
	}
	worst, taps := [3]float64{}, 0
	for i, a := range was {
		b := now[i]
		if a.Taps != b.Taps {
			taps++
			continue
		}
		for k, off := range []float64{(b.Hz - a.Hz) / a.HzU, (b.Q - a.Q) / a.QU, (b.Purity - a.Purity) / a.PurityU} {
			if off = math.Abs(off); !math.IsNaN(off) {
				worst[k] = max(worst[k], off)
			}
		}
	}
	return fmt.Sprintf("note %.2g u, Q %.2g u, purity %.2g u, other taps in %d", worst[0], worst[1], worst[2], taps)
}

// readings runs TestReadings with a threshold in place of its own value; nil if that
// can't be.
func readings(t *testing.T, dir string, with *threshold) (all []seen) {
	t.Helper()
	out := filepath.Join(dir, "readings.json")
	args := []string{"test", ".", "-count=1", "-run", "^TestReadings$", "-readings", out}
	if with != nil {
		source, err := os.ReadFile(with.file)
		if err != nil {
			t.Fatal(err)
		}
		number := strconv.FormatFloat(with.value, 'g', -1, 64)
		source = slices.Concat(source[:with.from], []byte(number), source[with.to:])
		here, err := filepath.Abs(with.file)
		if err != nil {
			t.Fatal(err)
		}
		other, overlay := filepath.Join(dir, "other.go"), filepath.Join(dir, "overlay.json")
		raw, err := json.Marshal(map[string]map[string]string{"Replace": {here: other}})
		if err != nil {
			t.Fatal(err)
		}
		for path, content := range map[string][]byte{other: source, overlay: raw} {
			if err := os.WriteFile(path, content, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		args = slices.Insert(args, 2, "-overlay", overlay)
	}
	if text, err := exec.CommandContext(t.Context(), "go", args...).CombinedOutput(); err != nil {
		if with == nil {
			t.Fatalf("%v\n%s", err, text)
		}
		return nil
	}
	raw, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(raw, &all); err != nil {
		t.Fatal(err)
	}
	return all
}
