package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"ringstock/capture"
	"ringstock/capture/filefault"
	"ringstock/capture/mic"
	"ringstock/capture/wavfile"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
)

type listenOptions struct {
	sound
	blank     string
	side      string
	taps      int
	blanks    int
	seconds   float64
	handsFree bool
	profile   string
	air       struct{ temperature, humidity cellFlag }
	striker   string
	json      bool
	plain     bool
}

// sound says where sound comes from.
type sound struct {
	device  string
	rate    float64
	from    string
	pace    bool
	verbose bool
}

func (s *sound) addFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&s.device, "device", "", "the microphone: a part of its `NAME`, its number (see devices), or default")
	quantityVar(f, &s.rate, "rate", 0, 0, 1e6, "sample rate in `HZ`; the device's own if 0")
	f.StringVar(&s.from, "from", "", "play a recording (`FILE`) instead of hearing a microphone: to practise, and for scripts")
	f.BoolVar(&s.pace, "pace", false, "play it in real time, not as fast as it can be heard")
	f.BoolVar(&s.verbose, "verbose", false, "also print what the sound system's libraries say")
}

func newListen() *cobra.Command {
	var o listenOptions
	cmd := &cobra.Command{
		Use:   "listen FOLDER",
		Short: "Hear taps from a microphone, judge each at once, and fill a delivery folder",
		Long: `Hears taps from a microphone and says of each at once whether it is good, or why to tap
again. Each good tap is on the disk before it is announced: a recording (24-bit WAV), its
circumstances beside it (.tap.json), and its name in delivery.csv, so that "ringstock grade FOLDER"
can be run at any time. Start it again with the same folder to go on where it stopped.

Keep quiet for the first second: the noise and the hum of the room are measured then. Hold the
blank at its nodes (0.22 of its length from an end), tap it in the middle or at an end, and let it
ring out.

On a terminal a page shows level, last ring, note and verdict; its keys:

  n next blank   b a blank by its number   d drop the last tap   a tap this side again
  o other face   e end grain   h hands-free   m type measurements   c add a note   q quit
  y count what did not sound like a blank: a first tap that does not is asked about, not counted

Without a terminal, or with --plain, plain lines are printed. A blank is done after --taps good
taps; with --hands-free the terminal beeps and the next number follows by itself (A017, A018;
numbers already in delivery.csv that have no recordings come first).
` + exitHelp,
		Example: `  ringstock listen spring-delivery --blank A01
  ringstock listen spring-delivery --hands-free --taps 5
  ringstock listen try --from taps.wav --blank T1 --taps 3`,
		Args: takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error { return runListen(cmd, args[0], o) },
	}
	f := cmd.Flags()
	o.sound.addFlags(cmd)
	f.StringVar(&o.blank, "blank", "", "the `NUMBER` of the blank to begin with")
	f.StringVar(&o.side, "side", "side", "where it is tapped first: side, width (the other face) or end")
	countVar(f, &o.taps, "taps", 5, 1, 1000000, "good taps that make a blank")
	countVar(f, &o.blanks, "blanks", 0, 0, 1000000, "stop after so many blanks")
	quantityVar(f, &o.seconds, "seconds", 0, 0, 1e6, "stop after so many seconds of sound")
	f.BoolVar(&o.handsFree, "hands-free", false, "go on to the next blank by itself")
	f.StringVar(&o.profile, "profile", "violin", "judge by this profile: a built-in one, or a `FILE` of your own")
	o.addAir(cmd)
	f.StringVar(&o.striker, "striker", "", "what you tap with; loudness compares only with the same one")
	f.BoolVar(&o.json, "json", false, "print one JSON document at the end; the lines go to stderr")
	f.BoolVar(&o.plain, "plain", false, "print plain lines on a terminal too")
	return cmd
}

// addAir adds the flags for the room's air.
func (o *listenOptions) addAir(cmd *cobra.Command) {
	o.air.temperature.column, o.air.humidity.column = "temperature_c", "humidity_pct"
	cmd.Flags().Var(&o.air.temperature, "temperature", "of the room, in `C`; kept with each blank")
	cmd.Flags().Var(&o.air.humidity, "humidity", "relative humidity of the room, in `PERCENT`")
}

func runListen(cmd *cobra.Command, folder string, o listenOptions) error {
	set, err := o.settings(cmd, folder)
	if err != nil {
		return err
	}
	loud, err := hush(o.verbose)
	if err != nil {
		return err
	}
	defer func() { loud(cmd.ErrOrStderr()) }()
	screen := !o.json && !o.plain && isTerminal(cmd.OutOrStdout()) && isTerminal(cmd.InOrStdin())
	set.Curves = screen
	if !screen && !set.HandsFree && set.Blanks == 0 {
		set.Blanks = 1
	}
	src, device, err := o.openWithin(cmd.Context(), screen)
	if err != nil {
		return err
	}
	defer func() {
		if err := src.Close(); err != nil {
			fmt.Fprintln(cmd.ErrOrStderr(), printable(filefault.Text(err)))
		}
	}()
	set.Device, set.Live = device, o.from == ""
	s, err := within(cmd.Context(), func() (*session.Session, error) { return session.Open(set) })
	if err != nil {
		return err
	}
	lines := cmd.OutOrStdout()
	if o.json {
		lines = cmd.ErrOrStderr()
	}
	if screen {
		err = runScreen(cmd.Context(), s, src)
	} else {
		p := &linePrinter{out: lines, side: cmd.ErrOrStderr(), bell: isTerminal(cmd.ErrOrStderr())}
		fmt.Fprintln(p.side, printable("listening to "+deviceText(device, src.Rate())+": keep quiet for one second"))
		err = s.Run(cmd.Context(), src, nil, p.tell)
	}
	sum := s.Summary()
	if cmd.Context().Err() != nil { // the terminal may be gone
		if saved := writeFile(filepath.Join(folder, summaryName), func(w io.Writer) error { return printSummary(w, folder, sum) }); saved != nil {
			err = errors.Join(err, saved)
		}
	}
	if o.json {
		if err := writeJSON(cmd.OutOrStdout(), newSessionDocument(folder, device, sum)); err != nil {
			return err
		}
	} else if err := printSummary(cmd.OutOrStdout(), folder, sum); err != nil {
		return err
	}
	switch {
	case err != nil:
		return err
	case s.Heard() == 0:
		return errors.New("no tap could be used: nothing was recorded")
	case cmd.Flags().Changed("taps") && len(sum.Short) > 0 && !screen:
		return tooFew{sum.Short}
	case s.Unread() > 0:
		return unusedFiles(s.Unread())
	}
	return nil
}

// summaryName is where the summary of a session is kept that was broken off.
const summaryName = "last-session.txt"

// within does what may take long, and lets go of it when the program is to end.
func within[T any](ctx context.Context, do func() (T, error)) (T, error) {
	type result struct {
		x   T
		err error
	}
	done := make(chan result, 1)
	go func() {
		x, err := do()
		done <- result{x, err}
	}()
	select {
	case r := <-done:
		return r.x, r.err
	case <-ctx.Done():
		var none T
		return none, ctx.Err()
	}
}

// tooFew is partly done.
type tooFew struct{ blanks []string }

func (t tooFew) Error() string {
	return "fewer good taps than wanted: " + strings.Join(t.blanks, ", ") + "; start again with the same folder to go on"
}
func (t tooFew) Unwrap() error { return partlyDone{len(t.blanks)} }

// unusedFiles is partly done: so many files of the folder could not be used.
type unusedFiles int

func (n unusedFiles) Error() string {
	return fmt.Sprintf("%d files of the folder could not be used; they are named above", int(n))
}
func (n unusedFiles) Unwrap() error { return partlyDone{int(n)} }

func (o listenOptions) settings(cmd *cobra.Command, folder string) (session.Settings, error) {
	profile, err := profileFor(cmd, o.profile, folder)
	if err != nil {
		return session.Settings{}, err
	}
	side := session.Side(o.side)
	blank := ""
	if cmd.Flags().Changed("blank") {
		if blank, err = grading.ParseBlank(o.blank); err != nil {
			return session.Settings{}, usageError{fmt.Errorf("--blank: %w", err)}
		}
	}
	switch {
	case !slices.Contains([]session.Side{session.Face, session.Width, session.End}, side):
		err = fmt.Errorf("--side %s: give side, width or end", o.side)
	case o.taps < 1:
		err = fmt.Errorf("--taps %d: give 1 or more", o.taps)
	case !(o.seconds >= 0 && o.seconds < 1e9), o.blanks < 0, !(o.rate >= 0 && o.rate < 1e7):
		err = errors.New("--seconds, --blanks and --rate must be numbers of 0 or more")
	case o.from != "" && (o.device != "" || o.rate != 0):
		err = errors.New("--from plays a recording: --device and --rate don't go with it")
	case o.pace && o.from == "":
		err = errors.New("--pace goes with --from only")
	}
	if err != nil {
		return session.Settings{}, usageError{err}
	}
	set := session.Settings{
		Folder: folder, Blank: blank, Side: side, Taps: o.taps, Blanks: o.blanks, Seconds: o.seconds,
		HandsFree: o.handsFree, Profile: profile, Striker: o.striker, Now: time.Now,
	}
	set.Air = session.Air{TemperatureC: o.air.temperature.number(), HumidityPct: o.air.humidity.number()}
	for _, flag := range []cellFlag{o.air.temperature, o.air.humidity} {
		if why := flag.cell.Doubt(grading.Row{}); why != "" {
			fmt.Fprintln(cmd.ErrOrStderr(), printable(why))
		}
	}
	return set, nil
}

// openWithin opens the sound, and lets go of a file that can't be read to its end when
// the program is to end.
func (s sound) openWithin(ctx context.Context, inRealTime bool) (capture.Source, session.Device, error) {
	if s.from == "" {
		return s.open(inRealTime)
	}
	var device session.Device
	src, err := within(ctx, func() (src capture.Source, err error) {
		src, device, err = s.open(inRealTime)
		return src, err
	})
	if err != nil {
		return nil, session.Device{}, err
	}
	return src, device, nil
}

// open opens the microphone, or the recording in its place.
func (s sound) open(inRealTime bool) (capture.Source, session.Device, error) {
	if s.from == "" {
		m, err := mic.Open(mic.Options{Name: s.device, RateHz: s.rate})
		if err != nil {
			return nil, session.Device{}, err
		}
		return m, session.Device{Name: m.Name, HostAPI: m.HostAPI, OwnRateHz: m.RateHz}, nil
	}
	rec, err := wavfile.Open(s.from)
	if err != nil {
		return nil, session.Device{}, err
	}
	device := session.Device{Name: "recording " + filepath.Base(s.from)}
	const block = 0.01 // s
	src := capture.Play(capture.FindTaps(rec).Samples, rec.Rate, max(int(block*rec.Rate), 1))
	if inRealTime || s.pace {
		src = &paced{Source: src, began: time.Now()}
	}
	return src, device, nil
}

// deviceText names a device, the rate that is used, and its own where that is another.
func deviceText(d session.Device, rate float64) string {
	text := d.Name
	if d.HostAPI != "" {
		text += fmt.Sprintf(" (%s, %.0f Hz", d.HostAPI, rate)
		if d.OwnRateHz != rate {
			text += fmt.Sprintf("; its own rate is %.0f Hz, so the system converts", d.OwnRateHz)
		}
		text += ")"
	}
	return text
}

// paced lets a source take the time that its sound takes.
type paced struct {
	capture.Source
	began time.Time
}

func (p *paced) Read(b *capture.Block) error {
	if err := p.Source.Read(b); err != nil {
		return err
	}
	due := time.Duration(float64(b.Pos+int64(len(b.Samples))) / p.Rate() * float64(time.Second))
	time.Sleep(due - time.Since(p.began))
	return nil
}

func isTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// linePrinter tells of a session in plain lines.
type linePrinter struct {
	out  io.Writer // taps and blanks
	side io.Writer // everything else
	bell bool
}

func (p *linePrinter) tell(e session.Event) {
	switch e := e.(type) {
	case session.RoomHeard:
		fmt.Fprintln(p.side, roomText(e))
	case session.BlankChosen:
		if e.Quiet {
			return // what to do now was said; it is told again when the room was heard
		}
		fmt.Fprintln(p.side, printable(fmt.Sprintf("blank %s, %s: %d of %d taps; tap now", e.Blank, sideText(e.Side), e.Count, e.Of)))
	case session.TapHeard:
		text := fmt.Sprintf("%s %d/%d ", e.Blank, e.Count, e.Of)
		if e.Good {
			f := e.Ring.Fundamental
			text += fmt.Sprintf("good  %s Hz  %s  Q %s  rings %s s  purity %s %%  -> %s", hertz(f.Hz), noteName(f.Hz.X), compact(f.Q), compact(f.T60S), purityText(e.Ring.PurityPct), e.File)
		} else {
			text += e.Why
		}
		fmt.Fprintln(p.out, printable(text))
	case session.TapsDropped:
		fmt.Fprintln(p.side, printable("dropped; what was recorded is kept in the folder "+session.DroppedDir))
	case session.BlankDone:
		if p.bell {
			fmt.Fprint(p.side, "\a")
		}
		fmt.Fprintln(p.out, printable(doneText(e.Judged)))
	case session.HasEnough:
		fmt.Fprintln(p.side, printable(enoughText(e)))
	case session.Notice:
		fmt.Fprintln(p.side, printable(e.Text))
	}
}

func enoughText(e session.HasEnough) string {
	return fmt.Sprintf("blank %s already has its %d good taps; for more, give a higher --taps", e.Blank, e.Of)
}

func sideText(s session.Side) string {
	switch s {
	case session.Width:
		return "taps on the other face"
	case session.End:
		return "taps on the end"
	}
	return "taps on the face"
}

func roomText(r session.RoomHeard) string {
	if r.Silent {
		return "the room: exact digital silence; if that goes on, the microphone is muted or not permitted: allow it in the system's privacy settings"
	}
	text := fmt.Sprintf("the room: noise %.0f dB", r.RMSDB)
	switch {
	case len(r.HumHz) > 0:
		text += ", hum at " + hertzList(r.HumHz) + " (left out of what is measured)"
	case r.HumHz != nil:
		text += ", no hum"
	}
	if r.RMSDB > loudRoomDB {
		text += fmt.Sprintf("; that is loud: speak less, go nearer with the microphone (full scale is 0 dB, good is below %.0f dB)", loudRoomDB)
	}
	return text
}

// hertzList is "50, 150 Hz".
func hertzList(list []float64) string {
	var text []string
	for _, hz := range list {
		text = append(text, fmt.Sprintf("%.0f", hz))
	}
	return strings.Join(text, ", ") + " Hz"
}

// loudRoomDB is the noise above which taps of the usual strength leave too little over it
// (common practice, no source).
const loudRoomDB = -45.0

func doneText(b grading.Blank) string {
	text := fmt.Sprintf("%s done: ", b.Blank)
	if r := firstRing(b); r != nil {
		text += fmt.Sprintf("%s Hz  %s  Q %s  purity %s %%; ", hertz(r.Fundamental.Hz), noteName(r.Fundamental.Hz.X), compact(r.Fundamental.Q), purityText(r.PurityPct))
	}
	text += string(b.Verdict)
	if b.Score.Known() {
		text += ", score " + scoreText(b)
	}
	if len(b.Reasons) > 0 {
		text += " (" + b.Reasons[0] + ")"
	}
	return text
}

// printSummary tells what came of the session.
func printSummary(w io.Writer, folder string, sum session.Summary) error {
	if len(sum.Blanks) == 0 {
		return nil
	}
	var out strings.Builder
	out.WriteString("\n")
	t := textTable{left: 3, cut: 1, head: [][]string{{"rank", "blank", "verdict", "score", "note Hz", "sustain Q", "purity %", "taps"}}}
	ring, decimals := rankingColumns[:3], decimalsOf(rankingColumns[:3], sum.Blanks)
	for _, b := range sum.Blanks {
		row, taps := []string{rankText(b), b.Blank, string(b.Verdict), scoreText(b)}, 0
		for i, c := range ring {
			row = append(row, c.text(c.of(b), decimals[i]))
		}
		if r := firstRing(b); r != nil {
			taps = r.TapsUsed
		}
		t.add(append(row, fmt.Sprint(taps))...)
	}
	t.write(&out, "")
	out.WriteString("\n")
	var todo []string
	measure := map[string][]string{} // blanks by what is to be measured next
	for _, b := range sum.Short {
		todo = append(todo, "tap "+b+" again: it has fewer good taps than wanted")
	}
	for _, b := range sum.Blanks {
		if n := sum.Refused[b.Blank]; n > 3 {
			todo = append(todo, fmt.Sprintf("%s: %d taps were refused; look at how it is held, and where the microphone stands", b.Blank, n))
		}
		if next := b.Wood.MeasureNext; next != "" {
			measure[next] = append(measure[next], b.Blank)
		}
	}
	for _, next := range slices.Sorted(maps.Keys(measure)) {
		todo = append(todo, strings.Join(measure[next], ", ")+": "+next)
	}
	for i, text := range todo {
		if i == 12 {
			fmt.Fprintf(&out, "and %d more\n", len(todo)-i)
			break
		}
		wrap(&out, "", text)
	}
	fmt.Fprintf(&out, "all recordings and delivery.csv are in %s; rank the whole delivery with: ringstock grade %s\n", folder, folder)
	_, err := io.WriteString(w, printable(out.String()))
	return err
}

// sessionDocument is what listen --json prints.
type sessionDocument struct {
	Schema  string          `json:"schema"`
	Folder  string          `json:"folder"`
	Device  session.Device  `json:"device"`
	Blanks  []grading.Blank `json:"blanks"`
	Refused map[string]int  `json:"refused"`
	Short   []string        `json:"short"`
}

func newSessionDocument(folder string, device session.Device, sum session.Summary) sessionDocument {
	return sessionDocument{"ringstock/session/1", folder, device,
		append([]grading.Blank{}, sum.Blanks...), sum.Refused, append([]string{}, sum.Short...)}
}
