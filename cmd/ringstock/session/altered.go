package session

import (
	"slices"

	"ringstock/capture"
	"ringstock/spectrum"
)

// deviceLimits say when a device is found out that alters the sound.
var deviceLimits = struct {
	Bent, Unheard int
	RecentS       float64
}{
	Bent:    2,  // taps that show it: a single one does now and then in noise
	Unheard: 3,  // taps in a row that are blamed on the hands, after which all that was heard lately is looked at
	RecentS: 15, // of sound
}

// recent is what was heard last, without gaps.
type recent struct{ x []float64 }

func (r *recent) add(b capture.Block, rate float64) {
	if b.Lost > 0 || b.Flags != 0 {
		r.x = r.x[:0]
	}
	r.x = append(r.x, b.Samples...)
	if most := int(deviceLimits.RecentS * rate); len(r.x) > 2*most { // seldom, so that little is moved
		r.x = append(r.x[:0], r.x[len(r.x)-most:]...)
	}
}

// watchDevice tells, once, that the recording device alters the sound, when
// enough taps show it.
func (s *Session) watchDevice(heard spectrum.Analysis) {
	if i := slices.IndexFunc(heard.Warnings, alters); i >= 0 {
		if s.bent++; s.bent >= deviceLimits.Bent {
			s.tellAltered(heard.Warnings[i])
		}
	}
}

// blameHands says why a tap is refused whose ring is not as a blank's that is held well.
// When that comes tap after tap, the hands may be right, and the device at work: all that
// was heard lately is looked at. A tap's own cut ends where its ring does, before a gain
// control lets the noise grow.
func (s *Session) blameHands(why string) string {
	if why == "" {
		return ""
	}
	if s.unheard++; !s.altered && s.unheard%deviceLimits.Unheard == 0 {
		s.suspectDevice()
	}
	return s.blame(why)
}

func (s *Session) suspectDevice() {
	x := s.recent.x[max(0, len(s.recent.x)-int(deviceLimits.RecentS*s.rate)):]
	all := spectrum.Analyse(capture.FindTaps(capture.Recording{Rate: s.rate, Tracks: [][]float64{x}}), s.side.strike())
	if i := slices.IndexFunc(all.Warnings, alters); i >= 0 {
		s.tellAltered(all.Warnings[i])
	}
}

func alters(w capture.Warning) bool { return w.Code == spectrum.Altered }

func (s *Session) tellAltered(w capture.Warning) {
	if !s.altered {
		s.altered = true
		s.tell(Notice{w.Text})
	}
}

// blame says why a tap is refused: once the device is known to alter decays,
// it and not the hands.
func (s *Session) blame(why string) string {
	if why != "" && s.altered {
		return "again: the recording device altered the sound, as said before"
	}
	return why
}
