package session

import "ringstock/capture"

// muteLimits are the times, in s, by which exact digital silence tells of a muted
// microphone.
var muteLimits = struct{ SkipS, TellS, NeverS float64 }{
	SkipS:  0.5, // is no sound of a room: it is kept from the listener, which would learn it as noise
	TellS:  2,   // is told
	NeverS: 3,   // from the beginning on: the session can't begin
}

// intake hands the sound of a source to the listener, but for exact silence.
type intake struct {
	l     *capture.Listener
	live  bool
	rate  float64
	tell  func(string)
	heard int64   // samples so far
	last  float64 // the latest sample
	same  int64   // samples in a row that are equal to it
	muted bool    // it was told
}

// hear takes a block. A microphone that was never anything but silent is an error.
func (in *intake) hear(b capture.Block) error {
	if !in.live { // a recording may be silent where it was edited
		in.l.Hear(b)
		in.heard += int64(len(b.Samples))
		return nil
	}
	skip := int64(muteLimits.SkipS * in.rate)
	whole := b.Samples
	b.Samples = make([]float64, 0, len(whole))
	for _, x := range whole {
		if in.heard++; x == in.last && in.heard > 1 {
			in.same++
		} else {
			in.last, in.same = x, 1
			if in.muted {
				in.muted = false
				in.tell("the microphone hears again")
			}
		}
		if in.same <= skip {
			b.Samples = append(b.Samples, x)
		}
	}
	in.l.Hear(b)
	switch {
	case in.same == in.heard && float64(in.same) > muteLimits.NeverS*in.rate:
		return ErrSilent
	case !in.muted && in.same < in.heard && float64(in.same) > muteLimits.TellS*in.rate:
		in.muted = true
		in.tell("the microphone gives exact digital silence: it was muted, or unplugged from its adapter; switch it on again, the session goes on")
	}
	return nil
}
