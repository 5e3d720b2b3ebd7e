package spectrum

import (
	"math"

	"ringstock/spectrum/naming"
)

// Lines of rings: what is known of them before.
const (
	startQ      = 180.0 // first guess of a decay; blanks have 80 to 400 (common practice, no source)
	noSlower    = 0.02  // 1/s; what dies more slowly, by 60 dB in 6 minutes, is no ring
	knownDecay  = 0.5   // relative sd of a decay from which on it says nothing
	tapStraysHz = 3.0   // Hz by which one tap's line may be off that of all
	closePairHz = naming.ClosePairHz
	pairFaster  = naming.PairFaster
)

// component is a decaying line found in a set of taps.
type component struct {
	hz, alpha     float64 // Hz, 1/s
	sdHz, sdAlpha float64 // from the fit's noise, widened by the scatter between taps
	noiseHz       float64 // from the fit's noise alone
	noiseAlpha    float64
	amp           []float64 // per tap, amplitude extrapolated to the strike; 0 where not fitted
	snr           []float64 // per tap: energy of the line in the fit over the noise density there
	alone         []tapEstimate
	room          float64 // the room's share in the uncertainty of alpha, where its fit was made so that it shows; else 0
	roomHz        float64 // and its part in that of the frequency
	roomKnown     bool    // whether the fit was such a one
}

// tapEstimate is what a single tap says of a component; the zero value says nothing.
type tapEstimate struct{ hz, alpha, sdHz, sdAlpha float64 }

func (c component) tau() float64 { return 1 / c.alpha }

func (c component) q() float64 { return math.Pi * c.hz / c.alpha }

// energy is the component's energy between 30 and 530 ms after the strike,
// A^2 tau/4 (exp(-0.06/tau) - exp(-1.06/tau)), the median over the taps of each tap's
// strength relative to ref; with ref nil the median of the plain energies.
func (c component) energy(ref *component) float64 {
	var e []float64
	for i, a := range c.amp {
		v := a * a
		if ref != nil {
			if ref.amp[i] == 0 {
				continue
			}
			v /= ref.amp[i] * ref.amp[i]
		}
		e = append(e, v)
	}
	return median(e) * decayEnergy(c.alpha)
}

// lineEnergy is the integral of exp(-2 alpha t) over a record.
func lineEnergy(alpha, duration float64) float64 {
	if 2*alpha*duration < 1e-6 {
		return duration
	}
	return -math.Expm1(-2*alpha*duration) / (2 * alpha)
}

func decayEnergy(alpha float64) float64 {
	if alpha < 1e-3 {
		return 0.25
	}
	return (math.Exp(-0.06*alpha) - math.Exp(-1.06*alpha)) / (4 * alpha)
}

func startAlpha(hz float64) float64 { return math.Pi * hz / startQ }

// beside tells whether c lies so near to a fundamental, and dies so little faster, as
// its other plane does.
func (c component) beside(f component) bool {
	return math.Abs(c.hz-f.hz) < closePairHz && c.alpha < pairFaster*f.alpha
}

// only is the component as a single tap has it: its own pitch and decay if it can tell
// them, and its own amplitude.
func (c component) only(tap int) component {
	one := c
	one.amp, one.snr, one.alone = c.amp[tap:tap+1], c.snr[tap:tap+1], nil
	if e := c.alone[tap]; e.sdAlpha > 0 && e.sdAlpha < knownDecay*e.alpha && math.Abs(e.hz-c.hz) < tapStraysHz {
		one.hz, one.alpha, one.sdHz, one.sdAlpha = e.hz, e.alpha, e.sdHz, e.sdAlpha
	} else {
		one.sdAlpha = c.alpha // nothing of its own to say
	}
	return one
}

// widen brings the scatter between taps into a joint component's sd: what differs from
// tap to tap by more than the noise explains (Birge's ratio) is not noise alone.
func (p *component) widen() {
	var chiHz, chiAlpha, n float64
	for _, e := range p.alone {
		if e.sdAlpha > 0 && e.sdAlpha < knownDecay*e.alpha {
			chiHz += (e.hz - p.hz) * (e.hz - p.hz) / (e.sdHz * e.sdHz)
			chiAlpha += (e.alpha - p.alpha) * (e.alpha - p.alpha) / (e.sdAlpha * e.sdAlpha)
			n++
		}
	}
	if n > 1 {
		p.sdHz *= math.Sqrt(max(1, chiHz/(n-1)))
		p.sdAlpha *= math.Sqrt(max(1, chiAlpha/(n-1)))
	}
}

// The room answers a ring with one of its own, which no fit tells apart from it for sure.
// The share of it that is left in a fit moves the decay rate by that share, and the
// frequency by that share of alpha/2 pi. Where the fit has a model of the room, it says
// so itself; elsewhere the share grows with how much faster the ring dies than a room
// (set on synthetic rooms of RT60 0.2-0.5 s).
const (
	roomS      = 0.018 // s: the tau of a ring that the room drowns
	roomDrowns = naming.Drowned
)

// roomShare is the room's share in the uncertainty of the component's decay rate.
func (c component) roomShare() float64 {
	if c.roomKnown {
		return c.room
	}
	return min(roomS*c.rate(), 1)
}

// roomShift is the room's part in the uncertainty of the component's frequency.
func (c component) roomShift() float64 {
	if c.roomKnown {
		return c.roomHz
	}
	return c.roomShare() * c.rate() / (2 * math.Pi)
}

// rate is the decay rate, or that of usual wood if it is less: a decay that the room has
// lengthened must not vouch for itself.
func (c component) rate() float64 { return max(c.alpha, startAlpha(c.hz)) }
