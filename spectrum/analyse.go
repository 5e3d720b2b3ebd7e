package spectrum

import (
	"fmt"
	"strings"

	"ringstock/capture"
	"ringstock/spectrum/measure"
)

// finding is what one pass along the chain found in the taps in use.
type finding struct {
	heard tapSpectra
	near  neighbourhood // of the fundamental; zero where that is not heard itself
	all   reading       // of all taps together
	modes []modes       // of each tap
	each  []measures
}

// Analyse measures the ring of one recording: every accepted tap alone, and all together.
func Analyse(take capture.Take, strike Strike) Analysis {
	return AnalyseNear(take, strike, Expected{})
}

// AnalyseNear does the same where it is known about where the note of end taps lies.
func AnalyseNear(take capture.Take, strike Strike, note Expected) Analysis {
	sound := take.Decimate(workRate)
	warnings := append(capture.Warnings{}, take.Warnings...)
	var found *finding
	for range len(sound.Taps) + 1 {
		found = pass(sound, strike, note, accepted(sound.Taps))
		if found == nil {
			break
		}
		kept, refused := refuse(sound, found.heard, found.all.modes, found.modes)
		if !refused {
			break
		}
		sound, found = without(sound, kept), nil // a refused tap can have misled the joint fit: once more without it
	}
	if found == nil {
		if found = pass(sound, strike, note, sinceClipped(sound.Taps, sound.Rate)); found != nil {
			warnings = append(warnings, capture.Warning{Code: ClippedStrikes, Text: "every tap is clipped at its strike; " +
				"pitch and decay are read from what follows; turn the input level down before the next recording"})
		}
	}
	if found != nil {
		warnings = append(warnings, altered(sound, found.heard, found.near, found.all.modes, found.all.noise)...)
	}
	return report(take, sound, found, warnings)
}

// pass goes once along the chain, from the taps in use to what they say; nil if nothing
// rings.
func pass(sound capture.Take, strike Strike, note Expected, taps []usedTap) *finding {
	if len(taps) == 0 {
		return nil
	}
	heard := spectraOf(sound, strike, taps)
	lines := heard.fitLines()
	if hum := heard.humAmong(lines); len(hum) > 0 { // known even where no quiet stretch told of it
		heard = heard.withHum(hum)
		lines = heard.fitLines()
	}
	named, ok := heard.identify(lines, note)
	if !ok {
		return nil
	}
	named, near := heard.fitFundamental(named)
	each := named.tapByTap()
	named = named.withScatter()
	all, measured := heard.measure(sound, near, named)

	return &finding{heard: heard, near: near, all: reading{named, all, heard.hum}, modes: each, each: measured}
}

// report puts what was found into the form that the world sees.
func report(take, sound capture.Take, found *finding, warnings capture.Warnings) Analysis {
	out := Analysis{
		File: take.Source, SampleRateHz: take.Rate, Channels: take.Channels, Channel: take.Track + 1,
		DurationS: float64(len(take.Samples)) / take.Rate,
		Warnings:  warnings, Taps: []TapResult{},
	}
	for _, t := range sound.Taps {
		out.Taps = append(out.Taps, TapResult{AtS: float64(t.Onset) / sound.Rate, Accepted: t.Reason == capture.Accepted, Reason: t.Reason})
	}
	if found == nil {
		out.Error = whyNoRing(sound.Taps, warnings)
		return out
	}
	out.Ring = new(found.all.ring(found.modes))
	if out.Ring.Room.Limits {
		out.Warnings = append(out.Warnings, limitWarning(out.Ring.Fundamental.Q))
	}
	for i, t := range found.heard.taps {
		out.Taps[t.of].Ring = new(reading{found.modes[i], found.each[i], found.heard.hum}.ring(nil))
	}
	return out
}

// RoomLimits is the code of the warning that the room, not the wood, sets
// how well a Q is known.
const RoomLimits = "room limits"

// limitWarning says how badly a Q is known because of the room, and what to do.
func limitWarning(q measure.Value) capture.Warning {
	return capture.Warning{Code: RoomLimits, Text: fmt.Sprintf("the room rings on beside the wood, and the sound does not tell the two apart: "+
		"Q is known to ±%.0f %% only; bring the microphone to 5-15 cm, go to another corner or another room, or "+
		"put soft things around (blankets, cushions, a mattress)", 100*q.Rel())}
}

// whyNoRing explains in plain words why a recording gives nothing, and what to do.
func whyNoRing(taps []capture.Tap, warnings capture.Warnings) *Failure {
	if len(taps) == 0 {
		for _, w := range warnings {
			if w.Code == capture.Muted {
				return &Failure{Silent, w.Text}
			}
		}
		return &Failure{NoTap, "no tap was heard: the recording holds no strike that stands out of the noise; tap harder or bring the microphone nearer"}
	}
	count := map[capture.Reason]int{}
	for _, t := range taps {
		count[t.Reason]++
	}
	if count[capture.Accepted] > 0 {
		return &Failure{NoRing, "no ring was found after the taps: nothing stands out of the noise for long enough; bring the microphone nearer (5-15 cm) and record again"}
	}
	var parts []string
	for _, r := range []capture.Reason{capture.Clipped, capture.DoubleStrike, capture.TooQuiet, capture.CutShort, capture.Disturbed} {
		if count[r] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", count[r], r))
		}
	}
	return &Failure{NoUsableTap, fmt.Sprintf("none of %d taps could be used (%s): record this blank again", len(taps), strings.Join(parts, ", "))}
}
