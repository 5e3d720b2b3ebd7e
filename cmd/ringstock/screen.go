package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	tea "charm.land/bubbletea/v2"

	"ringstock/capture"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
	"ringstock/spectrum"
)

// runScreen runs a session on a full-screen page.
func runScreen(ctx context.Context, s *session.Session, src capture.Source) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	commands := make(chan session.Command, 16)
	page := &screen{level: capture.Level{PeakDB: -99, RMSDB: -99}, do: func(c session.Command) {
		select {
		case commands <- c:
		default: // sixteen keys ahead of the session: drop what comes faster
		}
	}}
	program := tea.NewProgram(page)
	ended := make(chan error, 1)
	go func() {
		err := s.Run(ctx, src, commands, func(e session.Event) { program.Send(e) })
		program.Quit()
		ended <- err
	}()
	_, broken := program.Run()
	stop()
	err := <-ended
	if broken != nil && err == nil {
		return fmt.Errorf("the page can't be shown: %w; use --plain", broken)
	}
	return err
}

// screen is the page: what was last told, and what is being typed.
type screen struct {
	do            func(session.Command)
	width, height int

	blank   session.BlankChosen
	room    string
	level   capture.Level
	clipped int // levels for which the clipping mark still shows
	last    *session.TapHeard
	best    []spectrum.Point // longest decay of the session
	bestS   float64
	pitches []float64 // of the blank's good taps on this side
	qs      []float64
	judged  *grading.Blank
	notice  string
	done    bool

	asking string // what is being typed, or ""
	typed  string
	kind   session.Do
}

func (p *screen) Init() tea.Cmd { return nil }

func (p *screen) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch m := msg.(type) {
	case tea.WindowSizeMsg:
		p.width, p.height = m.Width, m.Height
	case tea.KeyPressMsg:
		return p, p.key(m)
	case session.LevelHeard:
		p.level = m.Level
		p.clipped--
		if m.Clipped {
			p.clipped = 20
		}
	case session.RoomHeard:
		p.room = fmt.Sprintf("noise %.0f dB", m.RMSDB)
		if m.RMSDB > loudRoomDB || len(m.HumHz) > 0 {
			p.notice = roomText(m)
		}
	case session.BlankChosen:
		if m.Blank != p.blank.Blank || m.Side != p.blank.Side || m.Count < p.blank.Count {
			p.pitches, p.qs, p.judged, p.last = nil, nil, nil, nil
		}
		p.blank, p.done = m, m.Count >= m.Of
	case session.TapHeard:
		p.tap(m)
	case session.BlankDone:
		p.done, p.judged = true, &m.Judged
		p.notice = m.Judged.Blank + " is done"
		return p, tea.Raw("\a")
	case session.HasEnough:
		p.notice = enoughText(m)
	case session.Notice:
		p.notice = m.Text
	}
	return p, nil
}

func (p *screen) tap(t session.TapHeard) {
	p.last, p.notice = &t, ""
	p.blank.Count = t.Count
	if !t.Good {
		return
	}
	p.pitches = append(p.pitches, t.Ring.Fundamental.Hz.X)
	p.qs = append(p.qs, t.Ring.Fundamental.Q.X)
	p.judged = &t.Judged
	if s := t.Ring.Fundamental.T60S.X; s > p.bestS {
		p.best, p.bestS = t.Curves[1], s
	}
}

func (p *screen) key(k tea.KeyPressMsg) tea.Cmd {
	if k.String() == "ctrl+c" {
		return tea.Interrupt
	}
	if p.asking != "" {
		switch k.String() {
		case "enter":
			p.do(session.Command{Do: p.kind, Text: p.typed})
			p.asking = ""
		case "esc":
			p.asking = ""
		case "backspace":
			if r := []rune(p.typed); len(r) > 0 {
				p.typed = string(r[:len(r)-1])
			}
		default:
			p.typed += k.Text
		}
		return nil
	}
	ask := func(what string, kind session.Do) { p.asking, p.kind, p.typed = what, kind, "" }
	switch k.String() {
	case "n", "enter":
		p.do(session.Command{Do: session.NextBlank})
	case "d":
		p.do(session.Command{Do: session.DropTap})
	case "r":
		p.do(session.Command{Do: session.Again})
	case "w":
		p.do(session.Command{Do: session.OtherFace})
	case "e":
		p.do(session.Command{Do: session.EndGrain})
	case "b":
		ask("blank", session.GoTo)
	case "m":
		ask("length mm, height, width, mass g, moisture %", session.SetMeasures)
	case "c":
		ask("note", session.AddNote)
	case "q":
		p.do(session.Command{Do: session.Quit})
	}
	return nil
}

func (p *screen) View() tea.View {
	v := tea.NewView(strings.Join(p.lines(), "\n"))
	v.AltScreen = true
	v.WindowTitle = "ringstock " + p.blank.Blank
	return v
}

// lines is the page, fitted to the terminal.
func (p *screen) lines() []string {
	width, height := p.width, p.height
	if width == 0 {
		width, height = 80, 24
	}
	var out []string
	add := func(lines ...string) { out = append(out, lines...) }
	add(apart(fmt.Sprintf("blank %s   %s   tap %d of %d", p.blank.Blank, sideText(p.blank.Side), p.blank.Count, p.blank.Of), p.room, width))
	add(p.meter(width), "")

	number, word, note := "---", "TAP", ""
	if p.done {
		word = "DONE"
	}
	if t := p.last; t != nil && t.Good {
		f := t.Ring.Fundamental
		number, note = fmt.Sprintf("%.1f", f.Hz.X), noteName(f.Hz.X)
		if !p.done {
			word = "GOOD"
		}
	} else if t != nil {
		word = "AGAIN"
	}
	scale := 1
	if width >= 150 && height >= 40 {
		scale = 2
	}
	digits, letters := big(number, scale), big(word, scale)
	for i := range digits {
		add(apart(digits[i], letters[i], width))
	}
	add("", p.facts(note), p.spread())

	tail := []string{p.verdict(), p.advice(), p.prompt()}
	if room := height - len(out) - len(tail); room >= 4 {
		add(p.curves(width, room)...)
	}
	add(tail...)
	for i, l := range out {
		out[i] = clip(printable(l), width)
	}
	return out[:min(len(out), height)]
}

// meter shows the level in steps of the width, from -60 dB to full scale.
func (p *screen) meter(width int) string {
	n := max(width-20, 10)
	at := func(db float64) int { return int(min(max((db+60)/60, 0), 1) * float64(n)) }
	peak, rms := at(p.level.PeakDB), at(p.level.RMSDB)
	bar := strings.Repeat("█", rms) + strings.Repeat("▒", max(peak-rms, 0))
	bar += strings.Repeat("·", n-length(bar))
	mark := fmt.Sprintf(" %4.0f dB", max(p.level.PeakDB, -99))
	if p.clipped > 0 {
		mark = " CLIPPED! "
	}
	return "level " + bar + mark
}

func (p *screen) facts(note string) string {
	if p.last == nil || !p.last.Good {
		return ""
	}
	r := p.last.Ring
	return fmt.Sprintf("%s Hz  %s   Q %s   rings %.1f s   purity %s %%",
		hertz(r.Fundamental.Hz), note, compact(r.Fundamental.Q), r.Fundamental.T60S.X, compact(r.PurityPct))
}

func (p *screen) spread() string {
	if len(p.pitches) < 2 {
		return ""
	}
	return fmt.Sprintf("spread of %d taps: %.1f cents, Q %.0f %%", len(p.pitches), 1200*math.Log2(1+relativeSD(p.pitches)), 100*relativeSD(p.qs))
}

// relativeSD is the standard deviation of a sample over its mean.
func relativeSD(x []float64) float64 {
	mean, sum := 0.0, 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sum += (v - mean) * (v - mean)
	}
	return math.Sqrt(sum/float64(len(x)-1)) / mean
}

func (p *screen) verdict() string {
	if p.judged == nil {
		return ""
	}
	text := "so far: " + string(p.judged.Verdict)
	if p.judged.Score.Known() {
		text += ", score " + compact(p.judged.Score)
	}
	if len(p.judged.Reasons) > 0 {
		text += ": " + p.judged.Reasons[0]
	}
	return text
}

func (p *screen) advice() string {
	if p.notice != "" {
		return p.notice
	}
	if p.last != nil {
		return p.last.Why
	}
	return "keep quiet for a second, then tap"
}

func (p *screen) prompt() string {
	if p.asking != "" {
		return p.asking + ": " + p.typed + "_   (enter, esc)"
	}
	return "n next b number d drop r again w other face e end m measure c note q quit"
}

// curves draws the last ring as a falling curve, and the longest one of the session dotted.
func (p *screen) curves(width, height int) []string {
	var last []spectrum.Point
	if p.last != nil {
		last = p.last.Curves[0]
	}
	rows := make([][]rune, height)
	for i := range rows {
		rows[i] = []rune(strings.Repeat(" ", width))
	}
	const seconds, deep = 3.0, 50.0
	draw := func(curve []spectrum.Point, mark rune) {
		if len(curve) == 0 {
			return
		}
		top := slices.MaxFunc(curve, func(a, b spectrum.Point) int {
			if a.Y < b.Y {
				return -1
			}
			return 1
		}).Y
		for _, pt := range curve {
			x, y := int(pt.X/seconds*float64(width)), int((top-pt.Y)/deep*float64(height-1)+0.5)
			if x >= 0 && x < width && y >= 0 && y < height {
				rows[y][x] = mark
			}
		}
	}
	draw(p.best, '·')
	draw(last, '*')
	var out []string
	for _, r := range rows {
		out = append(out, strings.TrimRight(string(r), " "))
	}
	if len(last) > 0 {
		label := "* this ring  · longest so far   0 to 3 s, 50 dB"
		out[0] = apart(out[0], label, width)
	}
	return out
}

// apart sets two texts flush left and flush right.
func apart(left, right string, width int) string {
	gap := width - length(left) - length(right)
	if gap < 1 {
		return left
	}
	return left + spaces(gap) + right
}

func clip(s string, width int) string {
	if r := []rune(s); len(r) > width {
		return string(r[:width])
	}
	return s
}

// font holds what the page shows large, five rows by five columns.
var font = map[rune][5]string{
	'0': {"█████", "█   █", "█   █", "█   █", "█████"}, '1': {"  █  ", " ██  ", "  █  ", "  █  ", " ███ "},
	'2': {"█████", "    █", "█████", "█    ", "█████"}, '3': {"█████", "    █", " ████", "    █", "█████"},
	'4': {"█   █", "█   █", "█████", "    █", "    █"}, '5': {"█████", "█    ", "█████", "    █", "█████"},
	'6': {"█████", "█    ", "█████", "█   █", "█████"}, '7': {"█████", "    █", "   █ ", "  █  ", "  █  "},
	'8': {"█████", "█   █", "█████", "█   █", "█████"}, '9': {"█████", "█   █", "█████", "    █", "█████"},
	'.': {"  ", "  ", "  ", "  ", "█ "}, '-': {"     ", "     ", "█████", "     ", "     "},
	'A': {" ███ ", "█   █", "█████", "█   █", "█   █"}, 'D': {"████ ", "█   █", "█   █", "█   █", "████ "},
	'E': {"█████", "█    ", "████ ", "█    ", "█████"}, 'G': {"█████", "█    ", "█  ██", "█   █", "█████"},
	'I': {"███", " █ ", " █ ", " █ ", "███"}, 'N': {"█   █", "██  █", "█ █ █", "█  ██", "█   █"},
	'O': {"█████", "█   █", "█   █", "█   █", "█████"}, 'P': {"████ ", "█   █", "████ ", "█    ", "█    "},
	'T': {"█████", "  █  ", "  █  ", "  █  ", "  █  "},
}

// big is a text in large letters, each row and column repeated scale times.
func big(text string, scale int) []string {
	var out []string
	for row := range 5 {
		var line strings.Builder
		for _, c := range text {
			for _, dot := range font[c][row] {
				line.WriteString(strings.Repeat(string(dot), scale))
			}
			line.WriteString(strings.Repeat(" ", scale))
		}
		for range scale {
			out = append(out, line.String())
		}
	}
	return out
}
