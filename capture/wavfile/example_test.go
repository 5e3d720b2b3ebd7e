package wavfile_test

import (
	"fmt"
	"os"
	"path/filepath"

	"ringstock/capture"
	"ringstock/capture/wavfile"
)

// Sound is written with a number of bits, and read back whole.
func ExampleOpen() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	name := filepath.Join(dir, "A1.wav")
	if err := wavfile.Save(name, capture.Recording{Rate: 48000, Tracks: [][]float64{make([]float64, 96000)}}, 24); err != nil {
		fmt.Println(err)
		return
	}
	recording, err := wavfile.Open(name)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.0f Hz, %d bits, %.1f s, %d channel\n", recording.Rate, recording.Bits, recording.Duration(), len(recording.Tracks))
	// Output: 48000 Hz, 24 bits, 2.0 s, 1 channel
}
