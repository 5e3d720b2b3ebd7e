package demo

import (
	"io"
	"math"

	"ringstock/capture"
	"ringstock/capture/synth"
)

// Tape is the sound of a person who taps one blank of the invented delivery after
// the other, each until told that it has its taps. It is a capture.Source; what
// was played is kept.
type Tape struct {
	blanks []Blank
	room   synth.Scene // all of it is heard in one room
	sound  []float64   // still to come of the present one
	played []float64
}

// NewTape begins with the first of the first n blanks.
func NewTape(n int) *Tape {
	p := &Tape{blanks: Blanks(Seed)[:n]}
	p.Next()
	return p
}

// Played is what was played so far.
func (p *Tape) Played() capture.Recording {
	return capture.Recording{Source: "practice tape", Rate: p.Rate(), Tracks: [][]float64{p.played}, Bits: 24}
}

// Next puts the present blank down and takes up the next one: the sound of the one fades
// over into that of the other. After its five taps there is time for the verdict; if it
// is not done, there are more.
func (p *Tape) Next() {
	if len(p.blanks) == 0 {
		return
	}
	s := p.blanks[0].Scene(Height)
	p.blanks = p.blanks[1:]
	if p.room.Rate == 0 {
		p.room = s
	}
	s.Pink, s.White, s.Hum, s.Room = p.room.Pink, p.room.White, p.room.Hum, p.room.Room
	last := 0.0
	for _, strike := range s.Strikes {
		last = max(last, strike.AtS)
	}
	const handling, pause = 4, 4.5 // s: until the first tap; between further ones
	for i := range s.Strikes {
		s.Strikes[i].AtS += handling
	}
	for i := range s.Talk {
		s.Talk[i].AtS += handling
	}
	last += handling
	for range 3 {
		last += pause
		more := s.Strikes[0]
		more.AtS = last
		s.Strikes = append(s.Strikes, more)
	}
	s.DurationS, s.Device = last+pause, synth.Device{}
	sound := s.Render().Tracks[0]
	fade := min(len(p.sound), int(0.1*p.Rate()))
	for i, x := range p.sound[:fade] {
		w := float64(i+1) / float64(fade+1)
		sound[i] = w*sound[i] + (1-w)*x
	}
	const full = 1 << 23 // as the file has it
	for i, x := range sound {
		sound[i] = min(max(math.RoundToEven(x*full), -full), full-1) / full
	}
	p.sound = sound
}

// Rate is the number of samples per second.
func (p *Tape) Rate() float64 { return 48000 }

// Close ends the sound.
func (p *Tape) Close() error { return nil }

// Read plays on.
func (p *Tape) Read(b *capture.Block) error {
	if len(p.sound) == 0 {
		return io.EOF
	}
	n := min(480, len(p.sound))
	*b = capture.Block{Samples: append(b.Samples[:0], p.sound[:n]...), Pos: int64(len(p.played))}
	p.sound, p.played = p.sound[n:], append(p.played, p.sound[:n]...)
	return nil
}
