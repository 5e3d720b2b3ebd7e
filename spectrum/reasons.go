package spectrum

import "ringstock/spectrum/measure"

// Why a measure of a ring is not known. Programs compare codes (measure.Value.Is); the
// texts are for people.
var (
	tooWeak           = measure.Reason{Code: "fundamental too weak", Text: "the fundamental is too weak to be measured"}
	inferredOnly      = measure.Reason{Code: "fundamental inferred", Text: "the fundamental is too weak to be measured; its pitch is inferred from the higher partials"}
	notComparable     = measure.Reason{Code: "nothing to compare with", Text: "the fundamental is too weak to compare with"}
	LostInNoise       = measure.Reason{Code: "decay lost in noise", Text: "its decay is lost in the noise"}
	lostInEcho        = measure.Reason{Code: "decay lost in echo", Text: "it dies as fast as the room's echo: its decay is not the wood's alone"}
	ringTooShort      = measure.Reason{Code: "ring too short", Text: "the ring is too short"}
	ringUnder130ms    = measure.Reason{Code: "ring under 130 ms", Text: "the ring is shorter than 130 ms"}
	weakFrom100ms     = measure.Reason{Code: "weak from 100 ms", Text: "the fundamental is too weak from 100 ms on"}
	sinksTooSoon      = measure.Reason{Code: "sinks too soon", Text: "the fundamental sinks into the noise too soon"}
	bandTooNarrow     = measure.Reason{Code: "band too narrow", Text: "the band is too narrow"}
	noEnergy          = measure.Reason{Code: "no energy", Text: "no energy between 80 and 1000 Hz"}
	strikeClipped     = measure.Reason{Code: "strike clipped", Text: "the strike is clipped"}
	linesBeat         = measure.Reason{Code: "lines beat", Text: "two close lines beat in the fundamental"}
	fromEndTaps       = measure.Reason{Code: "end taps", Text: "not judged from end taps"}
	noTapGaveIt       = measure.Reason{Code: "no tap gave it", Text: "no tap gave it"}
	roomUnheard       = measure.Reason{Code: "room not heard", Text: "the room is not heard beside the ring"}
	noRecordingGaveIt = measure.Reason{Code: "no recording gave it", Text: "no recording gave it"}
)

// What the uncertainties of a ring are made of.
const (
	ByNoise measure.Source = "noise"
	ByTaps  measure.Source = "taps differ"
	ByRoom  measure.Source = "room"
	ByGlide measure.Source = "pitch glides"
)
