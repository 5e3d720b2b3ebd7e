package report

import (
	"bytes"
	"encoding/binary"
	"math"
)

// writeWAV writes mono 16-bit samples.
func writeWAV(w *bytes.Buffer, samples []float64, rate float64) error {
	hz := uint32(math.Round(rate))
	n := uint32(2 * len(samples))
	w.WriteString("RIFF")
	binary.Write(w, binary.LittleEndian, 36+n)
	w.WriteString("WAVEfmt ")
	for _, v := range []any{uint32(16), uint16(1), uint16(1), hz, 2 * hz, uint16(2), uint16(16)} {
		binary.Write(w, binary.LittleEndian, v)
	}
	w.WriteString("data")
	binary.Write(w, binary.LittleEndian, n)
	for _, v := range samples {
		if math.IsNaN(v) {
			v = 0
		}
		binary.Write(w, binary.LittleEndian, int16(math.Round(32767*math.Max(-1, math.Min(1, v)))))
	}
	return nil
}
