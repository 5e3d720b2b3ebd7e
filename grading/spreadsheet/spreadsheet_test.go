package spreadsheet

import (
	"encoding/csv"
	"strings"
	"testing"
)

func TestDialects(t *testing.T) {
	for _, c := range []struct {
		name string
		d    Dialect
		want string
	}{
		{"plain", Dialect{}, "blank,q,n\n\"A;1, b\",12.5,3\n"},
		{"semicolon", Dialect{Separator: ';', DecimalComma: true}, "blank;q;n\n\"A;1, b\";12,5;3\n"},
		{"with a mark", Dialect{Separator: '\t', BOM: true}, "\ufeffblank\tq\tn\nA;1, b\t12.5\t3\n"},
	} {
		var out strings.Builder
		w := NewWriter(&out, c.d)
		for _, row := range [][]any{{"blank", "q", "n"}, {"A;1, b", Number("12.5"), 3}} {
			if err := w.Row(row...); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil || out.String() != c.want {
			t.Errorf("%s: %q, %v", c.name, out.String(), err)
		}
	}
}

// No cell begins as a formula, in whatever dialect the table is read.
func FuzzText(f *testing.F) {
	for _, s := range []string{"=1+1", "-3", "-2,5", "@home", "+cmd|' /C calc'!A0", " =1", "\t=1", "＝1", "a;=1+1", "a,\"=1\"", "long, -2 mm", "x\n=1", "-inf", "A17"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, dialect := range []rune{',', ';', '\t'} {
			var out strings.Builder
			w := NewWriter(&out, Dialect{Separator: dialect})
			if err := w.Row("first", text); err != nil {
				t.Skip("no table can hold this text:", err)
			}
			if err := w.Flush(); err != nil {
				t.Fatal(err)
			}
			for _, read := range []rune{',', ';', '\t'} {
				r := csv.NewReader(strings.NewReader(out.String()))
				r.Comma, r.LazyQuotes, r.FieldsPerRecord = read, true, -1
				rows, err := r.ReadAll()
				if err != nil {
					continue
				}
				for _, row := range rows {
					for _, cell := range row {
						cell = strings.TrimLeft(cell, " \"")
						if strings.HasPrefix(cell, "=") {
							t.Errorf("%q, written with %q and read with %q: a cell %q", text, dialect, read, cell)
						}
					}
				}
			}
		}
	})
}

func TestText(t *testing.T) {
	for text, want := range map[string]string{
		"=1+1": "'=1+1", "-3": "-3", "-2,5": "-2,5", "@home": "'@home", "-inf": "'-inf", " =1": "' =1", "a;=1": "a;'=1",
		"a, +cmd|x": "a, '+cmd|x", "long, -2 mm": "long, -2 mm", "A17": "A17", "": "", "＝1": "'＝1",
	} {
		if got := Text(text); got != want {
			t.Errorf("%q became %q, want %q", text, got, want)
		}
	}
}
