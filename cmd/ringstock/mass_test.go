package main

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/grading/report"
	"ringstock/grading/spool"
)

// heap looks now and then, while something is written to it, at how much of memory is in
// use, garbage aside.
type heap struct {
	written, looked int
	most            uint64
}

func (h *heap) Write(p []byte) (int, error) {
	const every = 1 << 20
	if h.written += len(p); h.written-h.looked >= every {
		h.looked = h.written
		h.look()
	}
	return len(p), nil
}

func (h *heap) look() {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	h.most = max(h.most, m.HeapAlloc)
}

// The memory that a report takes must not grow with the number of blanks, but for what
// the head of the page and the ranking need of each: a few numbers and a point on the
// map. Its pictures alone are some 70 kB.
func TestReportHoldsLittle(t *testing.T) {
	if !slow {
		t.Skip("grades 300 blanks: only with RINGSTOCK_SLOW=1")
	}
	// The fewer blanks have more sounds than the page has room for already.
	const few, many, most = 100, 200, 5000 // most bytes a blank
	profile, err := loadProfile("violin")
	if err != nil {
		t.Fatal(err)
	}
	var files []string
	for seed := range uint64(3) {
		c := cases.Bar(30 + seed).SNR(40).Starting(1).Taps(1)
		c.Scene.Device = synth.Device{Bits: 16}
		rec, _ := c.Render()
		file := filepath.Join(t.TempDir(), "one.wav")
		if err := wavfile.Save(file, rec, 16); err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	grown := map[int]uint64{}
	for _, blanks := range []int{few, many} {
		folder := t.TempDir()
		for i := range blanks {
			if err := os.Link(files[i%len(files)], filepath.Join(folder, fmt.Sprintf("%d.wav", i))); err != nil {
				t.Fatal(err)
			}
		}
		laid := spool.New(t.TempDir())
		defer laid.Close()
		before, after := heap{}, heap{}
		before.look()
		page, err := gradeFolder(t.Context(), folder, profile, laid, true, &progress{})
		if err != nil || page.Grading.Len() != blanks {
			t.Fatalf("%d of %d blanks, %v", page.Grading.Len(), blanks, err)
		}
		after.look()
		if err := report.Write(&after, page); err != nil {
			t.Fatal(err)
		}
		if after.written < blanks*10_000 {
			t.Errorf("a page of %d bytes for %d blanks lacks its pictures", after.written, blanks)
		}
		grown[blanks] = after.most - before.most
	}
	each := (float64(grown[many]) - float64(grown[few])) / (many - few)
	t.Logf("a blank more holds %.0f bytes", each)
	if each > most {
		t.Errorf("a blank more holds %.0f bytes, want %d at most", each, most)
	}
}
