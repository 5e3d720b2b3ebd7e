package session

import (
	"encoding/json"
	"io/fs"

	"ringstock/capture"
	"ringstock/spectrum"
)

// Recall is what was heard of a recording of a session when it was made, read from what
// is kept beside it. ok is false if there is nothing, or if another method heard it.
func Recall(folder fs.FS, file string) (a spectrum.Analysis, ok bool) {
	text, err := fs.ReadFile(folder, recordName(file))
	if err != nil {
		return a, false
	}
	var r record
	if json.Unmarshal(text, &r) != nil || r.Schema != recordSchema || r.File != file || r.Method != spectrum.Method || r.Ring == nil {
		return a, false
	}
	return spectrum.Analysis{
		File: file, SampleRateHz: r.RateHz, Channels: 1, Channel: 1, Warnings: []capture.Warning{},
		Taps: []spectrum.TapResult{{AtS: r.StrikeS, Accepted: true, Ring: r.Ring}}, Ring: r.Ring,
	}, true
}
