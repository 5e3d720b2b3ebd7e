package synth

import (
	"math"
	"math/rand/v2"
	"testing"
)

// office is a furnished room with one soft wall.
var office = Box{
	SizeM: [3]float64{4.1, 3.3, 2.6}, Absorb: [6]float64{0.25, 0.3, 0.2, 0.35, 0.25, 0.4},
	From: [3]float64{0.7, 1.1, 0.9}, To: [3]float64{2.9, 2.2, 1.4},
}

// band is the energy of x between two frequencies after some time.
func band(x []float64, rate, from, to, afterS float64) float64 {
	x = x[int(afterS*rate):]
	sum := 0.0
	for hz := from; hz <= to; hz += 0.5 {
		var re, im float64
		for n, v := range x {
			sin, cos := math.Sincos(2 * math.Pi * hz * float64(n) / rate)
			re, im = re+v*cos, im-v*sin
		}
		sum += re*re + im*im
	}
	return sum
}

// TestBoxDies: the modes of a room die together as fast as Eyring's formula says, within
// what it neglects (that walls differ, and where few modes sound): a third. Mirrored
// sources, whose walls take as much at grazing incidence as at right angles, die between
// that and what runs to and fro between the hardest two walls.
func TestBoxDies(t *testing.T) {
	const rate = 8000.0
	eyring := office.RT60()
	slowest := 0.0
	for i, l := range office.SizeM {
		per := -math.Log((1-office.Absorb[2*i])*(1-office.Absorb[2*i+1])) / 2 * soundMS / (2 * l) // amplitude
		slowest = max(slowest, 3*math.Ln10/per)
	}
	for _, tt := range []struct {
		name        string
		x           []float64
		least, most float64
	}{
		{"modes", office.Modal(rate), 0.67 * eyring, 1.33 * eyring},
		{"images", office.Images(rate, 0.5), eyring, 1.1 * slowest},
	} {
		late := 0.3 * eyring
		db := 10 * math.Log10(band(tt.x, rate, 100, 400, 0.02)/band(tt.x, rate, 100, 400, 0.02+late))
		if got := 60 * late / db; got < tt.least || got > tt.most {
			t.Errorf("%s: RT60 %.2f s, want %.2f to %.2f s", tt.name, got, tt.least, tt.most)
		}
	}
}

// TestBoxModesAreWhereTheImagesRing: what mirrored sources add up to has its peaks at the
// box's modes, the lowest one at c/2L.
func TestBoxModesAreWhereTheImagesRing(t *testing.T) {
	const rate = 8000.0
	hard := office
	hard.Absorb = [6]float64{0.05, 0.05, 0.05, 0.05, 0.05, 0.05}
	x := hard.Images(rate, 1.2)
	lowest := soundMS / (2 * office.SizeM[0])
	best, loud := 0.0, 0.0
	for hz := 35.0; hz < 47; hz += 0.1 {
		if p := band(x, rate, hz, hz, 0); p > loud {
			best, loud = hz, p
		}
	}
	if math.Abs(best-lowest) > 0.4 {
		t.Errorf("the images ring at %.1f Hz, the lowest mode is at %.1f Hz", best, lowest)
	}
}

// TestRoomLeavesTheRing: a room is a linear filter. Where it has died, the ring goes on
// as without it, but for a factor.
func TestRoomLeavesTheRing(t *testing.T) {
	answer := office.Modal(48000)
	level := math.Pow(10, -AnswerDB(answer, 48000)/20)
	for i := range answer {
		answer[i] *= level // as loud as the direct sound
	}
	dry := oneMode(48000, Mode{Hz: 131, Q: 300, Gain: 1}, Strike{AtS: 0.1, Strength: 1})
	wet := dry
	wet.Room.Answer = answer
	x, y := dry.Render().Tracks[0], wet.Render().Tracks[0]
	// Two samples a quarter period apart give amplitude and phase; their
	// quotient must stay.
	at := func(x []float64, s float64) complex128 {
		n := int(s * 48000)
		return complex(x[n], x[n-92])
	}
	one, two := at(y, 1.6)/at(x, 1.6), at(y, 1.9)/at(x, 1.9)
	if d := math.Hypot(real(one-two), imag(one-two)); d > 0.01*math.Hypot(real(one), imag(one)) {
		t.Errorf("the factor is %.4f, then %.4f", one, two)
	}
}

func TestAnswerDB(t *testing.T) {
	x := make([]float64, 4800)
	x[120] = 0.1
	if db := AnswerDB(x, 48000); math.Abs(db+20) > 1e-6 {
		t.Errorf("an echo of a tenth has %.3f dB", db)
	}
}

// TestReverberationS: noise that dies away by 60 dB in 0.7 s.
func TestReverberationS(t *testing.T) {
	random, x := rand.New(rand.NewPCG(1, 1)), make([]float64, 33600)
	for n := range x {
		x[n] = random.NormFloat64() * math.Pow(10, -3*float64(n)/33600)
	}
	// Some 0.23 s of decay in a band of 90 Hz hold 20 independent values: 10 % of a
	// slope.
	if got := ReverberationS(x, 48000); math.Abs(got/0.7-1) > 0.2 {
		t.Errorf("%.3f s", got)
	}
}
