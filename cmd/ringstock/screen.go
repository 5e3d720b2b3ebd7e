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
	page := &screen{handsFree: s.HandsFree, level: capture.Level{PeakDB: -99, RMSDB: -99}, do: func(c session.Command) {
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

	handsFree bool

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
	case session.TapWhole:
		if p.last != nil && p.last.File == m.File {
			p.last.Ring, p.last.Curves, p.judged = m.Ring, m.Curves, &m.Judged
		}
	case session.TapsDropped:
		p.notice = "dropped; what was recorded is kept in the folder " + session.DroppedDir
	case session.BlankDone:
		p.done, p.judged = true, &m.Judged
		p.notice = m.Judged.Blank + " is done: n goes on to the next"
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
	case "a", "r":
		p.do(session.Command{Do: session.Again})
	case "h":
		taps := p.blank.Of
		if p.handsFree = !p.handsFree; !p.handsFree {
			taps = 0
		}
		p.notice = map[bool]string{true: "hands-free: the next number follows by itself", false: "by hand: n goes on"}[p.handsFree]
		p.do(session.Command{Do: session.HandsFree, Taps: taps})
	case "o", "w":
		p.do(session.Command{Do: session.OtherFace})
	case "e":
		p.do(session.Command{Do: session.EndGrain})
	case "b":
		ask("blank", session.GoTo)
	case "m":
		ask("length mm, height, width, mass g, moisture %", session.SetMeasures)
	case "c":
		ask("note", session.AddNote)
	case "y":
		p.do(session.Command{Do: session.CountIt})
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

	number, word, note := p.headline()
	second := [2]string{p.sustain(), fmt.Sprintf("%d/%d", p.blank.Count, p.blank.Of)}
	scale := largest(width, height, [2]string{number, word}, second)
	tail := p.tail(width)
	large := func(pair [2]string) {
		left, right := big(pair[0], scale), big(pair[1], scale)
		for i := range left {
			add(apart(left[i], right[i], width))
		}
	}
	large([2]string{number, word})
	// Sustain and count are large, too, where there is room for them.
	if height-len(out)-len(tail)-3 > 5*scale {
		add("")
		large(second)
	}
	add(fold(p.facts(note), width, 2)...)
	add(p.spread())
	if room := height - len(out) - len(tail); room >= 3 {
		add(p.curves(width, room)...)
	}
	// What is said and asked comes before all that was drawn.
	out = append(out[:max(min(len(out), height-len(tail)), 0)], tail...)
	for i, l := range out {
		out[i] = clip(printable(l), width)
	}
	return out[:min(len(out), height)]
}

// headline is what is shown largest: the note, what to do or what the blank is,
// and the note's name.
func (p *screen) headline() (number, word, note string) {
	number, word = "---", "TAP"
	if p.blank.Quiet {
		word = "WAIT"
	}
	t := p.last
	if t != nil && t.Good {
		note = noteName(t.Ring.Fundamental.Hz.X)
	}
	switch {
	case p.level.Ringing && !p.done:
		return number, "RING", note
	case t != nil && t.Good:
		number, word = fmt.Sprintf("%.1f", t.Ring.Fundamental.Hz.X), "GOOD"
	case t != nil && t.Asked:
		word = "WOOD?"
	case t != nil:
		word = "AGAIN"
	}
	if p.done {
		word = "DONE"
		if p.judged != nil {
			word = strings.ToUpper(string(p.judged.Verdict))
		}
	}
	return number, word, note
}

// sustain is the Q of the last good tap.
func (p *screen) sustain() string {
	if p.last == nil || !p.last.Good || p.level.Ringing && !p.done || !p.last.Ring.Fundamental.Q.Known() {
		return "Q --"
	}
	return fmt.Sprintf("Q %.0f", p.last.Ring.Fundamental.Q.X)
}

// largest is how large the large letters can be so that both rows of them fit.
func largest(width, height int, rows ...[2]string) int {
	for scale := 3; scale > 1; scale-- {
		fits := height >= 10*scale+14
		for _, r := range rows {
			fits = fits && length(big(r[0], scale)[0])+length(big(r[1], scale)[0]) < width
		}
		if fits {
			return scale
		}
	}
	return 1
}

// tail is what is said and asked at the foot of the page, with nothing cut off.
func (p *screen) tail(width int) (lines []string) {
	lines = append(lines, fold(p.verdict(), width, 2)...)
	lines = append(lines, fold(p.advice(), width, 4)...)
	return append(lines, fold(p.prompt(), width, 3)...)
}

// fold breaks a text into at most so many lines; of one that is longer still the end is
// kept, with what is being typed.
func fold(text string, width, most int) []string {
	var out strings.Builder
	wrapAt(&out, max(width, 1), "", text)
	var lines []string
	for _, line := range strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n") {
		for r := []rune(line); len(r) > width && width > 0; r = []rune(line) { // a word longer than the page
			lines, line = append(lines, string(r[:width])), string(r[width:])
		}
		lines = append(lines, line)
	}
	if n := len(lines) - most; n > 0 {
		lines = lines[n:]
	}
	return lines
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
	return fmt.Sprintf("%s Hz, %s, Q %s, rings %.1f s, purity %s %%",
		hertz(r.Fundamental.Hz), note, compact(r.Fundamental.Q), r.Fundamental.T60S.X, purityText(r.PurityPct))
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
		text += ", score " + scoreText(*p.judged)
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
	switch {
	case p.last != nil && p.last.Asked:
		return p.last.Why + "; or press y to count it"
	case p.last != nil:
		return p.last.Why
	case p.blank.Quiet:
		return "keep quiet for a second: the room is being heard"
	}
	return "tap now"
}

func (p *screen) prompt() string {
	if p.asking != "" {
		return p.asking + ": " + p.typed + "_   (enter, esc)"
	}
	return "n next · b number · d drop · a again · o other face · e end · h hands-free · m measure · c note · q quit"
}

// curves draws the last ring as a falling curve, and the longest one of the session
// dotted.
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
	'T': {"█████", "  █  ", "  █  ", "  █  ", "  █  "}, 'W': {"█   █", "█   █", "█ █ █", "██ ██", "█   █"},
	'R': {"████ ", "█   █", "████ ", "█  █ ", "█   █"}, 'K': {"█  █ ", "█ █  ", "██   ", "█ █  ", "█  █ "},
	'M': {"█   █", "██ ██", "█ █ █", "█   █", "█   █"}, 'Y': {"█   █", " █ █ ", "  █  ", "  █  ", "  █  "},
	'B': {"████ ", "█   █", "████ ", "█   █", "████ "}, 'L': {"█    ", "█    ", "█    ", "█    ", "█████"},
	'V': {"█   █", "█   █", "█   █", " █ █ ", "  █  "}, 'U': {"█   █", "█   █", "█   █", "█   █", "█████"},
	'Q': {"█████", "█   █", "█   █", "█  ██", "█████"}, '/': {"    █", "   █ ", "  █  ", " █   ", "█    "},
	'?': {"█████", "    █", "  ███", "     ", "  █  "}, ' ': {"   ", "   ", "   ", "   ", "   "},
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
