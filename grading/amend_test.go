package grading

import (
	"testing"
	"testing/fstest"
)

func TestAmend(t *testing.T) {
	for _, c := range []struct{ name, before, after string }{
		{"no table", "", "blank,file,width_file,end_file,length_mm,height_mm,width_mm,mass_g,temperature_c,humidity_pct,note\n" +
			"A2,A2-02.wav,,,745.5,,,,,,\n"},
		{"commas", "Blank,colour,file\nA1,red,a1.wav\nA2,\"dark, red\",\n",
			"blank,colour,file,length_mm\nA1,red,a1.wav,\nA2,\"dark, red\",A2-02.wav,745.5\n"},
		{"semicolons and decimal commas", "\ufeffblank;length_mm;file\nA2;745,1;x.wav\nA2;;A2-02.wav|A2-01.wav\n",
			"blank;length_mm;file\nA2;745,5;x.wav\nA2;;A2-02.wav\n"},
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
