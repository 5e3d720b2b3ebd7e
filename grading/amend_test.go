package grading

import (
	"strings"
	"testing"
	"testing/fstest"
)

func TestAmend(t *testing.T) {
	for _, c := range []struct{ name, before, after string }{
		{"no table", "", "blank,file,width_file,end_file,length_mm,height_mm,width_mm,mass_g,temperature_c,humidity_pct,note\n" +
			"A2,A2-02.wav,,,745.5,,,,,,\n"},
		{"commas", "Blank,colour,file\nA1,red,a1.wav\nA2,\"dark, red\",\n",
			"Blank,colour,file,length_mm\nA1,red,a1.wav,\nA2,\"dark, red\",A2-02.wav,745.5\n"},
		{"semicolons and decimal commas", "\ufeffblank;length_mm;file\nA2;745,1;x.wav\nA2;;A2-02.wav|A2-01.wav\n",
			"\ufeffblank;length_mm;file\nA2;745,5;x.wav\nA2;;A2-02.wav\n"},
		{"lines of Windows, without an end", "blank,file,length_mm\r\n\r\n A1 ,\"a, \"\"b\"\"\",7\r\n\"A2\",,",
			"blank,file,length_mm\r\n\r\n A1 ,\"a, \"\"b\"\"\",7\r\n\"A2\",A2-02.wav,745.5"},
		{"one more blank", "blank,file,length_mm\r\nA1,,\r\nA3,,", "blank,file,length_mm\r\nA1,,\r\nA3,,\r\nA2,A2-02.wav,745.5\r\n"},
		{"lines of old spreadsheets", "blank,file,length_mm\rA2,,\r", "blank,file,length_mm\rA2,A2-02.wav,745.5\r"},
		{"short rows", "blank,file,note\nA2\n", "blank,file,note,length_mm\nA2,A2-02.wav,,745.5\n"},
	} {
		a, err := Amend([]byte(c.before))
		if err != nil {
			t.Fatal(c.name, err)
		}
		a.AddFile("A2", "file", "A2-01.wav")
		a.AddFile("A2", "file", "A2-02.wav")
		a.RemoveFile("A2", "file", "A2-01.wav")
		a.SetNumber("A2", "length_mm", 745.5)
		if got := string(a.Text()); got != c.after {
			t.Errorf("%s:\n%s\nwant\n%s", c.name, got, c.after)
		}
		if _, err := ReadDelivery(fstest.MapFS{TableName: {Data: a.Text()}}); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	if _, err := Amend([]byte("no,number\n1,2\n")); err == nil {
		t.Error("a table without blanks was taken")
	}
}

// TestAmendKeeps: what nothing was entered into comes back byte for byte.
func TestAmendKeeps(t *testing.T) {
	for _, text := range []string{
		"\ufeffBlank;Länge mm;\"file\";Mine\r\nA1;745,50;\"a;b.wav\"; x \r\n\r\nA2;;;\"two\r\nlines\"\r\n",
		"file,blank\n\"\",\"A \"\"1\"\"\"\n,A2", "blank\rA1\rA2", "\n\nblank,x\nA1\nA2,1,\n\n",
	} {
		a, err := Amend([]byte(text))
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		a.AddFile("A1", "file", "new.wav")
		a.RemoveFile("A1", "file", "new.wav")
		if got := string(a.Text()); got != text && strings.Contains(text, "file\"") {
			t.Errorf("%q\nbecame\n%q", text, got)
		}
		if a, _ := Amend([]byte(text)); string(a.Text()) != text {
			t.Errorf("%q\nbecame\n%q", text, a.Text())
		}
	}
}

func FuzzAmend(f *testing.F) {
	f.Add("\ufeffblank;a\r\nA1;\"x;y\"\r\n")
	f.Fuzz(func(t *testing.T, text string) {
		a, err := Amend([]byte(text))
		if err != nil || strings.TrimSpace(strings.TrimPrefix(text, "\ufeff")) == "" {
			return
		}
		if got := string(a.Text()); got != text {
			t.Errorf("%q became %q", text, got)
		}
	})
}
