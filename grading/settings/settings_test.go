package settings

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// What the delivery says counts over what the user says, and that over what is usual.
func TestDeliveryCountsOverUser(t *testing.T) {
	user, delivery := t.TempDir(), t.TempDir()
	a := write(t, user, UserName, "profile = \"cello\"\nstock_dir = \"rack\"\n[uncertainty]\nmass_u_g = 0.02\nheight_u_mm = \"0,02 mm\"\n[tables]\nseparator = \";\"\ndecimal = \",\"\n")
	b := write(t, delivery, DeliveryName, "\ufeffprofile = \"mine.toml\"\nuncertainty.mass_u_g = 1\n")
	s, err := Read(a, b)
	if err != nil {
		t.Fatal(err)
	}
	if s.Profile != filepath.Join(delivery, "mine.toml") || s.StockDir != filepath.Join(user, "rack") ||
		s.Instruments.Of("mass_u_g") != 1 || s.Instruments.Of("height_u_mm") != 0.02 || s.Instruments.Of("length_u_mm") != 0.5 ||
		s.Tables.Comma() != ';' || !s.Tables.DecimalComma || s.Tables.BOM {
		t.Errorf("%+v", s)
	}
	// What is printed is a file of settings that says the same.
	again, err := Read(write(t, t.TempDir(), UserName, s.Text()))
	if err != nil {
		t.Fatalf("%v\n%s", err, s.Text())
	}
	again.Places, again.from = s.Places, s.from
	if fmt.Sprint(again.Profile, again.StockDir, again.Tables) != fmt.Sprint(s.Profile, s.StockDir, s.Tables) || again.Instruments.Of("mass_u_g") != 1 {
		t.Errorf("%+v\nbecame\n%+v", s, again)
	}
	for _, want := range []string{a, b, "mass_u_g = 1", "from ringstock.toml", "from settings.toml"} {
		if !strings.Contains(s.Text(), want) {
			t.Errorf("%q is not in\n%s", want, s.Text())
		}
	}
	none, err := Read(filepath.Join(user, "nothing.toml"))
	if err != nil || none.Profile != "violin" || none.Instruments.Of("width_u_mm") != 0.05 || none.Tables.Comma() != ',' {
		t.Errorf("%+v, %v", none, err)
	}
}

// A wrong value is named with file, line and what to do.
func TestWrongSettings(t *testing.T) {
	for text, want := range map[string]string{
		"profile = \"vioin\"":                              "settings.toml, line 1, profile: there is no profile \"vioin\"",
		"# mine\n\nprofile = 3":                            "line 3, profile: give the name of a profile in quotation marks",
		"[uncertainty]\nmass_u_g = -1":                     "line 2, uncertainty.mass_u_g: an uncertainty of -1",
		"[uncertainty]\nmass_u_g = 0":                      "line 2, uncertainty.mass_u_g: give a number above 0",
		"[uncertainty]\nmass_u_g = nan":                    "line 2, uncertainty.mass_u_g: ",
		"[uncertainty]\nmass_u_g = inf":                    "line 2, uncertainty.mass_u_g: ",
		"[uncertainty]\nheight_u_mm = \"thin\"":            "line 2, uncertainty.height_u_mm: \"thin\" is not a number",
		"[uncertainty]\nhight_u_mm = 0.1":                  "line 2, uncertainty.hight_u_mm: there is no such setting; did you mean uncertainty.height_u_mm?",
		"[table]\nseparator = \";\"":                       "line 2, table.separator: there is no such setting; did you mean tables.separator?",
		"colour = \"red\"":                                 "line 1, colour: there is no such setting; `ringstock settings` lists all",
		"[tables]\nseparator = \"|\"":                      "line 2, tables.separator: write",
		"[tables]\ndecimal = \",\"":                        "line 2, tables.decimal: a decimal comma needs another separator",
		"[tables]\nseparator = \";\"\ndecimal = \"comma\"": "line 3, tables.decimal: write",
		"[tables]\nbyte_order_mark = \"yes\"":              "line 2, tables.byte_order_mark: write true or false",
		"profile = violin":                                 "line 1",
		"[tables":                                          "line 1",
		"a = " + strings.Repeat("[", 1000):                 "nested too deeply",
		strings.Repeat("# a long file\n", 20000):           "larger than",
	} {
		_, err := Read(write(t, t.TempDir(), UserName, text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.60q: %v, want %q", text, err, want)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add("profile = \"cello\"\n[tables]\nseparator = \";\"\ndecimal = \",\"\n")
	f.Add("[uncertainty]\nmass_u_g = 0.01\n")
	f.Fuzz(func(t *testing.T, text string) {
		var s Settings
		s, err := Read(write(t, t.TempDir(), UserName, text))
		if err != nil {
			return
		}
		for _, u := range s.Instruments {
			if !(u > 0) {
				t.Errorf("an uncertainty of %v", u)
			}
		}
		if _, err := s.List(); err != nil {
			t.Error(err)
		}
	})
}
