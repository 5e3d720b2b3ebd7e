package spectrum

import (
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// chain are the files of this package, from what every stage stands on to the analysis as
// a whole. A file may use what those before it declare, and nothing else of the package.
var chain = []string{
	// What all stages stand on.
	"ring.go", "reasons.go", "statistics.go", "density.go", "transform.go", "segment.go", "taps.go",
	// The stages.
	"hum.go", "spectra.go", "candidates.go",
	"component.go", "neighbourhood.go", "resolve.go", "lines.go",
	"part.go", "families.go", "identify.go", "settle.go", "fundamental.go",
	"estimate.go", "mixture.go", "loudness.go", "evenness.go", "drift.go", "roomexcess.go", "measures.go",
	"purity.go", "report.go",
	// The whole.
	"refuse.go", "altered.go", "analyse.go", "combine.go", "portrait.go", "draw.go",
}

// exports finds the compiled form of what the package imports.
func exports(t *testing.T) func(path string) (io.ReadCloser, error) {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), "go", "list", "-export", "-deps", "-f", "{{.ImportPath}}={{.Export}}", ".").Output()
	if err != nil {
		t.Fatal(err)
	}
	file := map[string]string{}
	for line := range strings.Lines(string(out)) {
		path, at, _ := strings.Cut(strings.TrimSpace(line), "=")
		file[path] = at
	}
	return func(path string) (io.ReadCloser, error) { return os.Open(file[path]) }
}

// TestChain keeps the stages in order: none uses what a later one declares.
func TestChain(t *testing.T) {
	fset := token.NewFileSet()
	var files []*ast.File
	place := map[string]int{}
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		if place[name] = slices.Index(chain, name); place[name] < 0 {
			t.Errorf("%s has no place in the chain", name)
		}
		src, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		file, err := parser.ParseFile(fset, name, src, 0)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	if len(files) != len(chain) {
		t.Errorf("%d files, the chain has %d", len(files), len(chain))
	}
	uses := types.Info{Uses: map[*ast.Ident]types.Object{}}
	pkg, err := (&types.Config{Importer: importer.ForCompiler(fset, "gc", exports(t))}).Check("ringstock/spectrum", fset, files, &uses)
	if err != nil {
		t.Fatal(err)
	}
	arrows := map[[2]string][]string{}
	for id, obj := range uses.Uses {
		if obj.Pkg() != pkg {
			continue
		}
		from, to := fset.Position(id.Pos()).Filename, fset.Position(obj.Pos()).Filename
		if place[to] > place[from] {
			arrow := [2]string{from, to}
			if !slices.Contains(arrows[arrow], obj.Name()) {
				arrows[arrow] = append(arrows[arrow], obj.Name())
			}
		}
	}
	for arrow, names := range arrows {
		slices.Sort(names)
		t.Errorf("%s must not need %s, which comes later: %s", arrow[0], arrow[1], strings.Join(names, ", "))
	}
}
