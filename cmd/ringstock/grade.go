package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"ringstock/capture"
	"ringstock/capture/filefault"
	"ringstock/grading"
	"ringstock/grading/report"
	"ringstock/grading/spool"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

type gradeOptions struct {
	profile   string
	out       string
	json      bool
	details   bool
	intoStock bool
	stock     stockPlace
}

func newGrade() *cobra.Command {
	var o gradeOptions
	cmd := &cobra.Command{
		Use:   "grade FOLDER",
		Short: "Rank the blanks of a delivery: which to keep, which to leave, and why",
		Long: `Grades a delivery: a folder with recordings of taps (WAV or FLAC) and a table, delivery.csv
or delivery.xlsx, with one row per blank. Its columns, of which only blank is needed:

  blank                             the blank's number
  file, width_file, end_file        recordings of taps on a face, on the other face, on the end;
                                    several with | between them
  length_mm, height_mm, width_mm    of the blank; taps of file bend it in the direction of height
  mass_g, moisture_pct, temperature_c, humidity_pct
  shape                             rectangular (if empty), octagonal or round
  head_length_mm, head_height_mm    of an uncut head block
  tip_height_mm, tip_width_mm       at the thin end of a tapered blank
  length_u_mm, height_u_mm, width_u_mm, mass_u_g, moisture_u_pct
                                    standard uncertainties; if empty 0.5, 0.05, 0.05, 0.1, 1.0
  species, price, currency, supplier, lot, maker_grade, note

Any other column is kept as a note. Without delivery.csv each recording is one blank, graded
by its sound alone. What can't be computed is left out with its reason, and the blank is at
most a "maybe".
` + exitHelp,
		Example: `  ringstock grade ringstock-demo --out report
  ringstock grade ringstock-demo --profile my-profile.toml --json`,
		Args: takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error { return runGrade(cmd, args[0], o) },
	}
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON document")
	cmd.Flags().BoolVar(&o.details, "details", false, "say of each blank why, where to hold it, what makes up its uncertainty and what to measure next")
	cmd.Flags().BoolVar(&o.intoStock, "into-stock", false, "enter the delivery into the stock, as \"ringstock stock add\" does")
	o.stock.addFlag(cmd)
	cmd.Flags().StringVar(&o.out, "out", "", "write report.html, ranking.csv and grading.json to this `DIR`")
	cmd.Flags().StringVar(&o.profile, "profile", "violin", "judge by this profile: "+strings.Join(grading.Profiles(), ", ")+", or a `FILE` of your own")
	return cmd
}

func runGrade(cmd *cobra.Command, folder string, o gradeOptions) error {
	profile, err := profileFor(cmd, o.profile, folder)
	if err != nil {
		return err
	}
	o.stock.delivery = folder
	laid := spool.New("")
	defer laid.Close()
	page, err := gradeFolder(cmd.Context(), folder, profile, laid, o.out != "", newProgress(cmd))
	if err != nil {
		return err
	}
	if err := compareWithStock(cmd.Context(), &o.stock, &page.Grading); err != nil {
		fmt.Fprintln(cmd.ErrOrStderr(), printable("not compared with the stock: "+filefault.Text(err)))
	}
	g := page.Grading
	reportAt := ""
	if o.out != "" {
		reportAt = filepath.Join(o.out, reportName)
	}
	if o.json {
		err = g.WriteJSON(cmd.OutOrStdout())
	} else if o.details {
		err = printGrading(cmd.OutOrStdout(), g)
	} else {
		err = printRanking(cmd.OutOrStdout(), g, reportAt, widthOf(cmd.OutOrStdout()))
	}
	if err != nil {
		return err
	}
	if o.out != "" {
		if err := writeOut(o.out, page, folder); err != nil {
			return err
		}
		fmt.Fprintln(cmd.ErrOrStderr(), printable("the report is in "+filepath.Join(o.out, reportName)))
	}
	if o.intoStock {
		added, err := enterStock(cmd.Context(), &o.stock, g, folder, stockAddOptions{})
		if err != nil {
			return err
		}
		if err := printAdded(cmd.ErrOrStderr(), added); err != nil {
			return err
		}
	}
	heard := false
	for b, err := range g.All() {
		if err != nil {
			return err
		}
		if heard = b.Verdict != grading.Unread; heard {
			break
		}
	}
	switch {
	case !heard:
		return fmt.Errorf("%s: no blank could be heard; each is listed with its reason", folder)
	case len(g.Unused) > 0:
		return partlyDone{len(g.Unused)}
	}
	return nil
}

// soundsKept is how many blanks, the best ones, keep the sound of a tap for the report.
const soundsKept = 100

// gradeFolder grades a delivery folder. Its blanks, and the curves and sounds of their
// taps, which are in the page only if they are asked for, are laid by in the spool,
// which must stay open as long as the page is used; without one, and without pictures,
// they are in memory.
func gradeFolder(ctx context.Context, folder string, profile grading.Profile, laid *spool.Spool, pictures bool, p *progress) (report.Page, error) {
	defer p.clear()
	root, err := os.OpenRoot(folder)
	if err != nil {
		return report.Page{}, fmt.Errorf("the delivery folder can't be opened: %w", err)
	}
	defer root.Close()
	full, err := filepath.Abs(folder)
	if err != nil {
		return report.Page{}, err
	}
	own, err := settingsFor(folder)
	if err != nil {
		return report.Page{}, err
	}
	album := newAlbum(laid)
	job := grading.Job{
		Folder: root.FS(), Delivery: filepath.Base(full), Profile: profile, Instruments: own.Instruments, Spool: laid,
		Hear: func(name string, strike spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
			take, a := hearWithin(ctx, name, root, func() (capture.Recording, error) { return openIn(root, name) }, strike, note)
			if pictures && strike == spectrum.SideTap {
				if portrait, ok := spectrum.Draw(take, a); ok {
					album.draw(name, portrait)
				}
			}
			return a
		},
		Judged: func(b grading.Blank, h grading.Heard, done, of int) error {
			p.step(of)
			if !pictures {
				return nil
			}
			return album.paste(b, h)
		},
	}
	g, err := grading.Grade(ctx, job)
	if err == nil {
		err = ctx.Err() // a recording may have been let go of
	}
	if err != nil && !errors.Is(err, context.Canceled) {
		err = fmt.Errorf("%s: %w", folder, err)
	}
	return report.Page{Grading: g, Pictures: album.of}, err
}

// album gathers what the report shows of each blank's taps. Sound is large, so only the
// best blanks keep theirs, whatever the order in which they come.
type album struct {
	mu       sync.Mutex
	drawn    map[string]spectrum.Portrait // by file, until its blank is judged
	spool    *spool.Spool
	places   map[string]spool.Place // by blank
	sounding []sounding             // the best first
}

type sounding struct {
	blank string
	score float64
}

func newAlbum(laid *spool.Spool) *album {
	return &album{spool: laid, drawn: map[string]spectrum.Portrait{}, places: map[string]spool.Place{}}
}

func (a *album) draw(file string, portrait spectrum.Portrait) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.drawn[file] = portrait
}

// paste moves the pictures of a judged blank to their place.
func (a *album) paste(b grading.Blank, h grading.Heard) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	var p report.Pictures
	for _, side := range h.Side {
		for _, tap := range side.Taps {
			if tap.Ring != nil { // all else of it takes far more room than the picture of the taps needs
				f := tap.Ring.Fundamental
				tap.Ring = &spectrum.Ring{Fundamental: spectrum.Partial{Hz: f.Hz, Q: f.Q}}
			}
			p.Taps = append(p.Taps, tap)
		}
		if portrait, drawn := a.drawn[side.File]; drawn && p.Portrait == nil {
			p.Portrait = &portrait
		}
	}
	for _, heard := range slices.Concat(h.Side, h.Width) {
		delete(a.drawn, heard.File)
	}
	if p.Portrait != nil {
		a.sounding = append(a.sounding, sounding{b.Blank, b.Score.X})
		slices.SortFunc(a.sounding, func(x, y sounding) int {
			return cmp.Or(cmp.Compare(y.score, x.score), grading.NumberOrder(x.blank, y.blank))
		})
		a.sounding = a.sounding[:min(len(a.sounding), soundsKept)]
		if !a.sounds(b.Blank) {
			p.Portrait.Clip = nil
		}
	}
	var err error
	a.places[b.Blank], err = a.spool.Put(p)
	return err
}

func (a *album) sounds(blank string) bool {
	return slices.ContainsFunc(a.sounding, func(s sounding) bool { return s.blank == blank })
}

// of is what was pasted of a blank.
func (a *album) of(blank string) (p report.Pictures, err error) {
	place, pasted := a.places[blank]
	if !pasted {
		return p, nil
	}
	err = a.spool.Get(place, &p)
	if p.Portrait != nil && !a.sounds(blank) {
		p.Portrait.Clip = nil
	}
	return p, err
}

// printGrading prints all that is known of each blank.
func printGrading(w io.Writer, g grading.Grading) error {
	var out strings.Builder
	var hints hints
	fmt.Fprintf(&out, "delivery %s, profile %s, method %s\n", g.Delivery, g.Profile, g.Method)
	if g.Settings.About != "" {
		wrap(&out, "", "profile: "+g.Settings.About)
	}
	out.WriteString("± is one standard uncertainty; ranks in brackets are a 95 % interval\n\n")
	t := textTable{left: 3, cut: 1, head: [][]string{
		{"rank", "blank", "verdict", "score", "note", "sustain", "purity", "density", "E/rho"},
		{"", "", "", "0-100", "Hz", "Q", "%", "kg/m³", "MJ/kg"},
	}}
	for b, err := range g.All() {
		if err != nil {
			return err
		}
		hints.add(b)
		note, q, purity := measure.Value{}, measure.Value{}, measure.Value{}
		if b.Ring != nil {
			note, q, purity = b.Ring.Fundamental.Hz, b.Ring.Fundamental.Q, b.Ring.PurityPct
		}
		t.add(rankText(b), b.Blank, string(b.Verdict), scoreText(b), hertz(note), compact(q), purityText(purity),
			compact(b.Wood.Density), compact(b.Wood.SpecificModulus))
		reasons := b.Reasons
		if b.Verdict == grading.Keep {
			reasons = reasons[:1] // the table shows the rest
		}
		t.explain(strings.Join(reasons, "; "))
		for _, warning := range b.Warnings {
			if !slices.Contains(reasons, warning.Text) {
				t.explain("note: " + warning.Text)
			}
		}
	}
	t.write(&out, "")
	out.WriteString("\n")
	hints.write(&out)
	if g.Qualified == 0 {
		fmt.Fprintf(&out, "none of %d qualifies\n", g.Len())
	} else {
		fmt.Fprintf(&out, "%d of %d to keep\n", g.Qualified, g.Len())
	}
	for _, note := range g.Notes {
		wrap(&out, "", "note: "+note)
	}
	if len(g.Unused) > 0 {
		out.WriteString("\ncould not be used:\n")
		for _, u := range g.Unused {
			wrap(&out, "  ", u.File+": "+u.Reason)
		}
	}
	_, err := io.WriteString(w, printable(out.String()))
	return err
}

// hints tell of each blank where to hold it, what its uncertainty is made of and what to
// measure next. Blanks without a budget of which the same is to be said, as many are that
// were only tapped, share it.
type hints struct {
	list []hint
	same map[string]int // by text
}

type hint struct {
	of   []string
	text string
}

func (h *hints) add(b grading.Blank) {
	budgets := budgetText("E/rho", b.Wood.SpecificModulus) + budgetText("density", b.Wood.Density)
	text := holdText(b.Wood) + "\n" + budgets + "measure next: " + cmp.Or(b.Wood.MeasureNext, "nothing; no one measurement would narrow it much")
	if i, ok := h.same[text]; ok && budgets == "" {
		h.list[i].of = append(h.list[i].of, b.Blank)
		return
	}
	if h.same == nil {
		h.same = map[string]int{}
	}
	h.same[text] = len(h.list)
	h.list = append(h.list, hint{[]string{b.Blank}, text})
}

func (h hints) write(out *strings.Builder) {
	wrap(out, "", "Of each blank: where to hold it (nodes, from the butt), what makes up its uncertainty (shares of the variance), and the one measurement that would narrow it most")
	for _, h := range h.list {
		hold, text, _ := strings.Cut(h.text, "\n")
		wrap(out, "", strings.Join(h.of, ", ")+hold)
		for line := range strings.SplitSeq(text, "\n") {
			wrap(out, "    ", line)
		}
	}
	out.WriteString("\n")
}

func holdText(w wood.Values) string {
	var places []string
	for _, mm := range w.HoldAtMM {
		places = append(places, fmt.Sprintf("%.0f", mm))
	}
	if len(places) == 0 {
		return ""
	}
	return ": hold at " + strings.Join(places, " or ") + " mm"
}

// budgetText is a line with the largest contributions to an uncertainty, if it is known:
// three at most, and no more than make up nine tenths of its variance.
func budgetText(name string, v measure.Value) string {
	if !v.Known() || v.U == 0 || len(v.Budget) == 0 {
		return ""
	}
	var shares []string
	rest := 100.0
	for _, part := range v.Budget {
		if len(shares) == 3 || rest < 10 {
			break
		}
		share := 100 * part.U * math.Abs(part.U) / (v.U * v.U)
		shares = append(shares, fmt.Sprintf("%s %.0f %%", part.Name, share))
		rest -= share
	}
	if rest >= 10 {
		shares = append(shares, fmt.Sprintf("others %.0f %%", rest))
	}
	return fmt.Sprintf("budget of %s ±%.2g %%: %s\n", name, 100*v.Rel(), strings.Join(shares, ", "))
}

// hertz is a pitch to a thousandth of a hertz at most, which is finer than a blank keeps
// it.
func hertz(v measure.Value) string {
	if v.Known() && v.U < 0.00295 {
		return fmt.Sprintf("%.3f±%.3f", v.X, max(v.U, 0.001))
	}
	return compact(v)
}

func rankText(b grading.Blank) string {
	if b.RankLow == b.RankHigh {
		return fmt.Sprint(b.Rank)
	}
	return fmt.Sprintf("%d (%d-%d)", b.Rank, b.RankLow, b.RankHigh)
}
