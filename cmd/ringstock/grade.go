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
	"runtime/debug"
	"slices"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"ringstock/grading"
	"ringstock/grading/report"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

type gradeOptions struct {
	profile   string
	out       string
	json      bool
	intoStock bool
	stock     stockPlace
}

func newGrade() *cobra.Command {
	var o gradeOptions
	cmd := &cobra.Command{
		Use:   "grade FOLDER",
		Short: "Rank the blanks of a delivery: which to keep, which to leave, and why",
		Long: `Grades a delivery: a folder with recordings of taps (WAV or FLAC) and a table, delivery.csv,
with one row per blank. Its columns, of which only blank is needed:

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
		Example: `  ringstock grade spring-delivery --out spring-report
  ringstock grade spring-delivery --profile mine.toml --json`,
		Args: takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error { return runGrade(cmd, args[0], o) },
	}
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON document")
	cmd.Flags().BoolVar(&o.intoStock, "into-stock", false, "enter the delivery into the stock, as \"ringstock stock add\" does")
	o.stock.addFlag(cmd)
	cmd.Flags().StringVar(&o.out, "out", "", "write report.html, ranking.csv and grading.json to this `DIR`")
	cmd.Flags().StringVar(&o.profile, "profile", "violin", "judge by this profile: "+strings.Join(grading.Profiles(), ", ")+", or a `FILE` of your own")
	return cmd
}

func runGrade(cmd *cobra.Command, folder string, o gradeOptions) error {
	profile, err := loadProfile(o.profile)
	if err != nil {
		return err
	}
	page, err := gradeFolder(cmd.Context(), folder, profile, o.out != "", newProgress(cmd))
	if err != nil {
		return err
	}
	if err := compareWithStock(cmd.Context(), &o.stock, &page.Grading); err != nil {
		fmt.Fprintln(cmd.ErrOrStderr(), printable("not compared with the stock: "+err.Error()))
	}
	g := page.Grading
	if o.json {
		err = g.WriteJSON(cmd.OutOrStdout())
	} else {
		err = printGrading(cmd.OutOrStdout(), g)
	}
	if err != nil {
		return err
	}
	if o.out != "" {
		if err := writeOut(o.out, page); err != nil {
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
	switch {
	case !slices.ContainsFunc(g.Blanks, func(b grading.Blank) bool { return b.Verdict != grading.Unread }):
		return fmt.Errorf("%s: no blank could be heard; each is listed with its reason", folder)
	case len(g.Unused) > 0:
		return partlyDone{len(g.Unused)}
	}
	return nil
}

// soundsKept is how many blanks, the best ones, keep the sound of a tap for the report.
const soundsKept = 100

// fewBlanks leave so little behind that four times as much garbage beside it, as main lets gather, is
// no burden. What more of them leave until they are ranked is, so it gets less beside it.
const fewBlanks = 300

// gradeFolder grades a delivery folder. Curves and sounds of the taps are in the page only if
// they are asked for.
func gradeFolder(ctx context.Context, folder string, profile grading.Profile, pictures bool, p *progress) (report.Page, error) {
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
	album := newAlbum()
	job := grading.Job{
		Folder: root.FS(), Delivery: filepath.Base(full), Profile: profile,
		Hear: func(name string, strike spectrum.Strike) spectrum.Analysis {
			rec, err := openIn(root, name)
			take, a := hear(name, rec, err, strike)
			if pictures && strike == spectrum.SideTap {
				if portrait, ok := spectrum.Draw(take, a); ok {
					album.draw(name, portrait)
				}
			}
			return a
		},
		Judged: func(b grading.Blank, h grading.Heard, done, of int) {
			if done == 1 && of > fewBlanks {
				debug.SetGCPercent(max(50, 400*fewBlanks/of))
			}
			p.step(of)
			if pictures {
				album.paste(b, h)
			}
		},
	}
	g, err := grading.Grade(ctx, job)
	if err != nil && !errors.Is(err, context.Canceled) {
		err = fmt.Errorf("%s: %w", folder, err)
	}
	return report.Page{Grading: g, Portraits: album.portraits, Taps: album.taps}, err
}

// album gathers what the report shows of each blank's taps. Sound is large, so only the best
// blanks keep theirs, whatever the order in which they come.
type album struct {
	mu        sync.Mutex
	drawn     map[string]spectrum.Portrait // by file, until its blank is judged
	portraits map[string]spectrum.Portrait // by blank
	taps      map[string][]spectrum.TapResult
	sounding  []grading.Blank // the best first
}

func newAlbum() *album {
	return &album{drawn: map[string]spectrum.Portrait{}, portraits: map[string]spectrum.Portrait{}, taps: map[string][]spectrum.TapResult{}}
}

func (a *album) draw(file string, portrait spectrum.Portrait) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.drawn[file] = portrait
}

// paste moves the pictures of a judged blank to their place.
func (a *album) paste(b grading.Blank, h grading.Heard) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, side := range h.Side {
		for _, tap := range side.Taps {
			if tap.Ring != nil { // all else of it takes far more room than the picture of the taps needs
				f := tap.Ring.Fundamental
				tap.Ring = &spectrum.Ring{Fundamental: spectrum.Partial{Hz: f.Hz, Q: f.Q}}
			}
			a.taps[b.Blank] = append(a.taps[b.Blank], tap)
		}
		portrait, drawn := a.drawn[side.File]
		if _, has := a.portraits[b.Blank]; drawn && !has {
			a.portraits[b.Blank] = portrait
		}
	}
	for _, heard := range slices.Concat(h.Side, h.Width) {
		delete(a.drawn, heard.File)
	}
	if _, has := a.portraits[b.Blank]; !has {
		return
	}
	a.sounding = append(a.sounding, b)
	slices.SortFunc(a.sounding, func(x, y grading.Blank) int {
		return cmp.Or(cmp.Compare(y.Score.X, x.Score.X), grading.NumberOrder(x.Blank, y.Blank))
	})
	if len(a.sounding) > soundsKept {
		last := a.sounding[soundsKept].Blank
		portrait := a.portraits[last]
		portrait.Clip = nil
		a.portraits[last] = portrait
		a.sounding = a.sounding[:soundsKept]
	}
}

func printGrading(w io.Writer, g grading.Grading) error {
	var out strings.Builder
	fmt.Fprintf(&out, "delivery %s, profile %s, method %s\n", g.Delivery, g.Profile, g.Method)
	if g.Settings.About != "" {
		wrap(&out, "", "profile: "+g.Settings.About)
	}
	out.WriteString("± is one standard uncertainty; ranks in brackets are a 95 % interval\n\n")
	t := textTable{left: 3, cut: 1, head: [][]string{
		{"rank", "blank", "verdict", "score", "note", "sustain", "purity", "density", "E/rho"},
		{"", "", "", "0-100", "Hz", "Q", "%", "kg/m³", "MJ/kg"},
	}}
	for _, b := range g.Blanks {
		note, q, purity := measure.Value{}, measure.Value{}, measure.Value{}
		if b.Ring != nil {
			note, q, purity = b.Ring.Fundamental.Hz, b.Ring.Fundamental.Q, b.Ring.PurityPct
		}
		t.add(rankText(b), b.Blank, string(b.Verdict), compact(b.Score), hertz(note), compact(q), compact(purity),
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
	printHints(&out, g.Blanks)
	if g.Qualified == 0 {
		fmt.Fprintf(&out, "none of %d qualifies\n", len(g.Blanks))
	} else {
		fmt.Fprintf(&out, "%d of %d to keep\n", g.Qualified, len(g.Blanks))
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

// printHints tells of each blank where to hold it, what its uncertainty is made of and what to
// measure next. Blanks without a budget of which the same is to be said, as many are that were only
// tapped, share it.
func printHints(out *strings.Builder, blanks []grading.Blank) {
	type hint struct {
		of   []string
		text string
	}
	var hints []hint
	same := map[string]int{}
	for _, b := range blanks {
		hold := holdText(b.Wood)
		budgets := budgetText("E/rho", b.Wood.SpecificModulus) + budgetText("density", b.Wood.Density)
		text := hold + "\n" + budgets + "measure next: " + cmp.Or(b.Wood.MeasureNext, "nothing; no one measurement would narrow it much")
		if i, ok := same[text]; ok && budgets == "" {
			hints[i].of = append(hints[i].of, b.Blank)
			continue
		}
		same[text] = len(hints)
		hints = append(hints, hint{[]string{b.Blank}, text})
	}
	wrap(out, "", "Of each blank: where to hold it (nodes, from the butt), what makes up its uncertainty (shares of the variance), and the one measurement that would narrow it most")
	for _, h := range hints {
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

// budgetText is a line with the largest contributions to an uncertainty, if it is known: three at
// most, and no more than make up nine tenths of its variance.
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

// hertz is a pitch to a thousandth of a hertz at most, which is finer than a blank keeps it.
func hertz(v measure.Value) string {
	if v.Known() && v.U < 0.001 {
		return fmt.Sprintf("%.3f±0.001", v.X)
	}
	return compact(v)
}

func rankText(b grading.Blank) string {
	if b.RankLow == b.RankHigh {
		return fmt.Sprint(b.Rank)
	}
	return fmt.Sprintf("%d (%d-%d)", b.Rank, b.RankLow, b.RankHigh)
}
