package mic

import (
	"math/rand/v2"
	"strings"
	"testing"

	"ringstock/capture"
)

// What comes out, with what is said to be lost, is what went in: under all speeds of the
// two sides. Run it with -race too.
func TestRingLosesNothingSilently(t *testing.T) {
	for seed := range uint64(20) {
		random := rand.New(rand.NewPCG(seed, 0))
		r := newRing(1 << (4 + seed%6))
		const total = 30000
		done := make(chan struct{})
		go func() {
			defer close(done)
			block := make([]float32, 200)
			for at := 0; at < total; {
				n := min(1+random.IntN(200), total-at)
				for i := range n {
					block[i] = float32(at + i)
				}
				r.Put(block[:n], capture.Flags(random.IntN(50)/49))
				at += n
			}
			// The last loss is told with the next sample that fits.
			for r.lost > 0 || r.flags != 0 {
				r.Put([]float32{-1}, 0)
			}
		}()
		var b capture.Block
		at, got := 0, 0
		take := func() {
			for r.Take(&b, 64) {
				at += b.Lost
				for _, x := range b.Samples {
					if x >= 0 && x != float64(at) {
						t.Fatalf("seed %d: sample %v where %d was due", seed, x, at)
					}
					at++
					got++
				}
			}
		}
		for running := true; running; {
			select {
			case <-done:
				running = false
			default:
			}
			take()
		}
		take()
		if at < total || got == 0 {
			t.Errorf("seed %d: %d of %d samples accounted for, %d received", seed, at, total, got)
		}
	}
}

func TestPutDoesNotAllocate(t *testing.T) {
	r := newRing(1 << 12)
	block := make([]float32, 417)
	if n := testing.AllocsPerRun(1000, func() { r.Put(block, capture.Overflow) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func TestChoose(t *testing.T) {
	devices := []Device{
		{Name: "Array", HostAPI: "MME"}, {Name: "USB Mic", HostAPI: "MME", Default: true},
		{Name: "USB Mic", HostAPI: "Windows WASAPI"}, {Name: "Array 2", HostAPI: "Windows WASAPI"},
	}
	for _, c := range []struct {
		name string
		want int
		err  string
	}{
		{"", 1, ""}, {"usb mic", 1, ""}, {"wasapi: usb", 2, ""}, {"array", 0, ""}, {"array 2", 3, ""},
		{"default", 1, ""}, {"1", 0, ""}, {"4", 3, ""}, {"5", 0, "there is no microphone"}, {"0", 0, "there is no microphone"},
		{"arr", 0, "may be any of"}, {"webcam", 0, "there is no microphone \"webcam\"; there are: \"MME: Array\""},
	} {
		got, err := choose(devices, c.name)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%q: error %v, want %q", c.name, err, c.err)
			}
		} else if err != nil || got != c.want {
			t.Errorf("%q: %d, %v; want %d", c.name, got, err, c.want)
		}
	}
	if _, err := choose(nil, ""); err == nil || !strings.Contains(err.Error(), "no microphone was found") {
		t.Error(err)
	}
	if _, err := choose(devices[:1], ""); err == nil || !strings.Contains(err.Error(), "no default") {
		t.Error(err)
	}
}
