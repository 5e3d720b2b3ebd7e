package spectrum_test

import (
	"encoding/json"
	"slices"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// TestResultIsFinished: whatever the sound, an analysis needs no patching: lists are
// lists, and what failed has a code and a text.
func TestResultIsFinished(t *testing.T) {
	bar, _ := cases.Bar(4).Render()
	bar.Source = "bar.wav"
	muted := capture.Recording{Source: "muted.wav", Rate: 48000, Tracks: [][]float64{make([]float64, 48000), make([]float64, 48000)}}
	for _, c := range []struct {
		a        spectrum.Analysis
		file     string
		channels int
		failure  spectrum.FailureCode
		warning  string
	}{
		{spectrum.Analyse(capture.FindTaps(bar), spectrum.SideTap), "bar.wav", 1, "", ""},
		{spectrum.Analyse(capture.FindTaps(muted), spectrum.SideTap), "muted.wav", 2, spectrum.Silent, capture.Muted},
		{spectrum.Analyse(capture.FindTaps(capture.Recording{}), spectrum.SideTap), "", 0, spectrum.NoTap, ""},
		{spectrum.Unread("gone.wav", "there is no such file"), "gone.wav", 0, spectrum.Unreadable, ""},
	} {
		var failure spectrum.FailureCode
		if c.a.Error != nil {
			failure = c.a.Error.Code
		}
		if c.a.File != c.file || c.a.Channels != c.channels || failure != c.failure || c.a.Warnings == nil || c.a.Taps == nil || (c.a.Ring == nil) != (failure != "") {
			t.Errorf("%s: %+v", c.file, c.a)
		}
		if c.warning != "" && !slices.Contains(c.a.Warnings.Codes(), c.warning) {
			t.Errorf("%s: warnings %v", c.file, c.a.Warnings.Codes())
		}
	}
}

// TestCodesInJSON: codes stand beside the texts and come back with them, so that programs
// need not read prose.
func TestCodesInJSON(t *testing.T) {
	weak := measure.Reason{Code: spectrum.LostInNoise.Code, Text: "worded in any other way"}.Value()
	a := spectrum.Unread("a.wav", "empty")
	a.Warnings = capture.Warnings{{Code: capture.Muted, Text: "one"}, {Code: spectrum.Altered, Text: "two"}}
	a.Ring = &spectrum.Ring{Fundamental: spectrum.Partial{Q: weak}}
	raw, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var plain struct {
		Warnings     []string `json:"warnings"`
		WarningCodes []string `json:"warning_codes"`
		Error        string   `json:"error"`
		Ring         struct {
			Fundamental struct {
				Why      map[string]string `json:"why"`
				WhyCodes map[string]string `json:"why_codes"`
			} `json:"fundamental"`
		} `json:"ring"`
	}
	var back spectrum.Analysis
	for _, into := range []any{&plain, &back} {
		if err := json.Unmarshal(raw, into); err != nil {
			t.Fatal(err)
		}
	}
	f := plain.Ring.Fundamental
	if !slices.Equal(plain.Warnings, []string{"one", "two"}) || !slices.Equal(plain.WarningCodes, []string{capture.Muted, spectrum.Altered}) ||
		plain.Error != "empty" || f.Why["q"] != "worded in any other way" || f.WhyCodes["q"] != spectrum.LostInNoise.Code {
		t.Errorf("%s", raw)
	}
	if !slices.Equal(back.Warnings, a.Warnings) || !back.Ring.Fundamental.Q.Is(spectrum.LostInNoise) {
		t.Errorf("read back: %+v", back)
	}
}
