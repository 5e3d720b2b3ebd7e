package cases

import "math/rand/v2"

// Class is a kind of difficulty.
type Class struct {
	Name string
	make func(bar Case, draw func(low, high float64) float64) Case
}

// Case makes the class's case of a seed: a bar, and a degree of difficulty, of its own.
func (c Class) Case(seed uint64) Case {
	random := rand.New(rand.NewPCG(seed, 100))
	made := c.make(Bar(seed), func(low, high float64) float64 { return low + (high-low)*random.Float64() })
	made.Scene.Name = c.Name
	return made
}

// Classes are the kinds of difficulty on which an analysis is measured.
func Classes() []Class {
	type draw = func(low, high float64) float64
	return []Class{
		{"noise", func(bar Case, draw draw) Case { return bar.InWhiteNoise().SNR(draw(10, 50)) }},
		{"hum", func(bar Case, draw draw) Case {
			apart := draw(0.1, 10)
			if draw(0, 1) < 0.5 {
				apart = -apart
			}
			return bar.MainsNear(apart, draw(-30, 0)).SNR(draw(20, 45))
		}},
		{"pair", func(bar Case, draw draw) Case { return bar.Pair(draw(0.5, 6), draw(-15, 0)).SNR(draw(20, 45)) }},
		{"room", func(bar Case, draw draw) Case { return bar.InRoom().SNR(draw(20, 45)) }},
		{"weak fundamental", func(bar Case, draw draw) Case { return bar.Highpassed(30).Mains().SNR(draw(10, 30)) }},
		{"foreign note", func(bar Case, draw draw) Case {
			return bar.Foreign(draw(1.3, 5), draw(3, 20)).SNR(draw(20, 45))
		}},
		{"talk", func(bar Case, draw draw) Case { return bar.InRoom().Talking().SNR(draw(20, 40)) }},
		{"clipping", func(bar Case, draw draw) Case { return bar.InRoom().Clipped(int(draw(0, 5))).SNR(draw(20, 40)) }},
		{"double strike", func(bar Case, draw draw) Case {
			return bar.InRoom().Doubled(int(draw(0, 5))).SNR(draw(20, 40))
		}},
		{"glide", func(bar Case, draw draw) Case { return bar.Glide(draw(-0.4, 0.4)).SNR(draw(20, 45)) }},
		{"rates", func(bar Case, draw draw) Case {
			rates := [...]float64{44100, 88200, 96000, 176400, 192000}
			return bar.InRoom().SNR(draw(20, 45)).At(rates[int(draw(0, 5))])
		}},
		{"mixed", mixed},
		{"automatic gain", func(bar Case, draw draw) Case { return bar.InRoom().SNR(draw(25, 40)).AutoGain() }},
		{"limiter", func(bar Case, draw draw) Case { return bar.InRoom().SNR(draw(25, 40)).Limited() }},
		{"noise suppression", func(bar Case, draw draw) Case { return bar.InRoom().SNR(draw(25, 40)).Suppressed() }},
	}
}

// mixed is a recording as they come: a room, the mains, a microphone that thins out the
// fundamental; in some talk, clipping, a double strike, a foreign note.
func mixed(bar Case, draw func(low, high float64) float64) Case {
	chance := func(p float64) bool { return draw(0, 1) < p }
	c := bar.InRoom().Highpassed(draw(0.3, 12)).Mains()
	if chance(0.15) {
		c = c.Foreign(draw(1.3, 5), draw(1, 15))
	}
	if chance(0.15) {
		c = c.Talking()
	}
	if chance(0.15) {
		c = c.Clipped(int(draw(0, 5)))
	}
	if chance(0.10) {
		c = c.Doubled(int(draw(0, 5)))
	}
	rates := [...]float64{44100, 48000, 48000, 48000, 96000}
	return c.At(rates[int(draw(0, 5))]).SNR(draw(18, 45))
}
