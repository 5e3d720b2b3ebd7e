package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
)

// timed is a source that remembers how much of it was heard, and when it
// gave its latest piece.
type timed struct {
	x     []float64
	at    int
	given time.Time
}

func (s *timed) Rate() float64 { return rate }
func (s *timed) Close() error  { return nil }

func (s *timed) Read(b *capture.Block) error {
	const piece = 2048 // as a page sends them
	if s.at == len(s.x) {
		return io.EOF
	}
	to := min(s.at+piece, len(s.x))
	*b = capture.Block{Samples: append(b.Samples[:0], s.x[s.at:to]...), Pos: int64(s.at)}
	s.at, s.given = to, time.Now()
	return nil
}

// BenchmarkBenchAnswers measures how long the maker waits for the slowest of four taps:
// from the moment at which the fundamental has fallen by 30 dB, or at which the next tap
// comes if that is sooner, until the desk tells the result with the tap on the disk.
// ms-sound is what is still listened to, ms-work what is then done, which depends on the
// computer. The sticks' notes and Q are in the names.
func BenchmarkBenchAnswers(b *testing.B) {
	profile, err := loadProfile("violin")
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		hz, q, apart float64 // s between taps
	}{{125, 90, 4}, {125, 180, 4}, {125, 250, 5}, {180, 180, 4}, {125, 250, 1.2}} {
		b.Run(fmt.Sprintf("%.0fHz-Q%.0f-every%.1fs", c.hz, c.q, c.apart), func(b *testing.B) {
			const taps = 4
			scene := stickScene(0, 0)
			for i := range scene.Modes {
				scene.Modes[i].Hz, scene.Modes[i].Q = scene.Modes[i].Hz/118*c.hz, c.q
			}
			var due []float64 // s
			for k := range taps {
				at := 1.5 + c.apart*float64(k)
				scene.Strikes = append(scene.Strikes, synth.Strike{AtS: at, ContactS: .001, Strength: 1, Thud: .05})
				fallen := 30 / (20 * math.Log10(math.E)) * scene.Modes[0].Tau()
				if k+1 < taps {
					fallen = min(fallen, c.apart)
				}
				due = append(due, at+fallen)
			}
			scene.DurationS = 1.5 + taps*c.apart + 3
			x := scene.Render().Tracks[0]
			var sound, work float64
			for b.Loop() {
				d, err := openDesk(session.Settings{Folder: filepath.Join(b.TempDir(), "delivery"), Blank: "A1", Taps: 99, Profile: profile, Now: time.Now})
				if err != nil {
					b.Fatal(err)
				}
				source := &timed{x: x}
				told := 0
				d.Watch(func() {
					if last := d.State().Last; last != nil && last.Serial > told {
						if told = last.Serial; told > taps || !last.Good {
							b.Errorf("tap %d: %s", told, last.Say)
							return
						}
						work = max(work, time.Since(source.given).Seconds())
						sound = max(sound, float64(source.at)/rate-due[told-1])
					}
				}, func(capture.Level) {})
				ctx, cancel := context.WithCancel(context.Background())
				go d.work(ctx)
				if err := d.Hear(ctx, source, bench.Rig{}); err != nil {
					b.Fatal(err)
				}
				cancel()
				<-d.over
				if told != taps {
					b.Fatalf("%d taps were told of, want %d", told, taps)
				}
			}
			b.ReportMetric(1000*sound, "ms-sound")
			b.ReportMetric(1000*work, "ms-work")
		})
	}
}
