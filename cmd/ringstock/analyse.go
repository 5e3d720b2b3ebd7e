package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"ringstock/capture"
	"ringstock/capture/wavfile"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

func newAnalyse() *cobra.Command {
	var asJSON, end bool
	cmd := &cobra.Command{
		Use:   "analyse FILE...",
		Short: "Measure the ring in recordings of taps",
		Long: `Measures the ring in recordings of taps (WAV or FLAC, one blank each): the note in Hz, its
sustain as Q and as the time to fall by 60 dB, purity, partials, beats and foreign notes. Every
number comes with its standard uncertainty (±), or with the reason why there is none.

Record a second of quiet, then 3 to 8 taps on one face, some seconds apart.
` + exitHelp,
		Example: `  ringstock analyse ringstock-demo/D01.wav
  ringstock analyse --end --json ringstock-demo/D01-end.wav`,
		Args: takes(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			strike := spectrum.SideTap
			if end {
				strike = spectrum.EndTap
			}
			list, err := analyse(cmd.Context(), expand(args), strike, newProgress(cmd))
			if err != nil {
				return err
			}
			if asJSON {
				err = writeJSON(cmd.OutOrStdout(), struct {
					Schema     string              `json:"schema"`
					Recordings []spectrum.Analysis `json:"recordings"`
				}{spectrum.Schema, list})
			} else {
				err = printAnalyses(cmd.OutOrStdout(), list)
			}
			if err != nil {
				return err
			}
			unused := 0
			for _, a := range list {
				if a.Error != nil {
					unused++
				}
			}
			switch {
			case unused == len(list):
				return errors.New("no recording could be used; each is listed with its reason")
			case unused > 0:
				return partlyDone{unused}
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	cmd.Flags().BoolVar(&end, "end", false, "the taps are on the end grain (the note is the longitudinal one)")
	return cmd
}

// analyse hears files, as many at a time as there are processors.
func analyse(ctx context.Context, files []string, strike spectrum.Strike, p *progress) ([]spectrum.Analysis, error) {
	defer p.clear()
	list := make([]spectrum.Analysis, len(files))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, name := range files {
		g.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			_, list[i] = hearWithin(ctx, name, disk{}, func() (capture.Recording, error) { return wavfile.Open(name) }, strike, spectrum.Expected{})
			p.step(len(files))
			return ctx.Err()
		})
	}
	return list, g.Wait()
}

// expand resolves patterns like *.wav where the shell does not.
func expand(args []string) (files []string) {
	for _, arg := range args {
		if _, err := os.Lstat(arg); err != nil {
			if found, err := filepath.Glob(arg); err == nil && len(found) > 0 {
				files = append(files, found...)
				continue
			}
		}
		files = append(files, arg)
	}
	return files
}

func printAnalyses(w io.Writer, list []spectrum.Analysis) error {
	var out strings.Builder
	for i, a := range list {
		if i > 0 {
			out.WriteString("\n")
		}
		out.WriteString(a.File + heading(a) + "\n")
		if a.Error != nil {
			wrap(&out, "  ", "can't be used: "+a.Error.Text)
		}
		if a.Ring != nil {
			printRing(&out, *a.Ring)
		}
		for _, warning := range a.Warnings {
			wrap(&out, "  ", "note: "+warning.Text)
		}
	}
	_, err := io.WriteString(w, printable(out.String()))
	return err
}

// heading sums up the sound and its taps.
func heading(a spectrum.Analysis) string {
	if a.SampleRateHz == 0 {
		return ""
	}
	used := 0
	var refused []string
	for _, t := range a.Taps {
		if t.Accepted {
			used++
		} else {
			refused = append(refused, fmt.Sprintf("%s at %.2f s", t.Reason, t.AtS))
		}
	}
	text := fmt.Sprintf(": %.1f s at %g kHz, %d of %d taps used", a.DurationS, a.SampleRateHz/1000, used, len(a.Taps))
	if len(refused) > 0 {
		text += " (" + strings.Join(refused, ", ") + ")"
	}
	return text
}

func printRing(out *strings.Builder, r spectrum.Ring) {
	f := r.Fundamental
	from := ""
	if r.FundamentalFrom != "peak" {
		from = " (inferred from the higher partials; too weak to be measured itself)"
	}
	for _, line := range []struct {
		name string
		v    measure.Value
		unit string
		more string
	}{
		{"fundamental", f.Hz, "Hz", from},
		{"sustain Q", f.Q, "", ""},
		{"60 dB in", f.T60S, "s", ""},
		{"purity", r.PurityPct, "%", ""},
		{"of it fundamental", r.FundamentalPct, "%", ""},
		{"unevenness", r.UnevennessPct, "%", ""},
		{"pitch drift", r.DriftCents, "cents", ""},
		{"loudness", r.LoudnessDB, "dB", " (comparable within one session and striker only)"},
	} {
		more := line.more
		if !line.v.Known() {
			more = ""
		}
		fmt.Fprintf(out, "  %-18s %s%s\n", line.name, line.v.Text(line.unit), more)
	}
	if r.SNRDB.Known() {
		fmt.Fprintf(out, "  %-18s %.0f dB at the strike\n", "over the noise", r.SNRDB.X)
	}
	if r.Beat != nil {
		fmt.Fprintf(out, "  %-18s two notes %.2f Hz apart, depth %.1f dB\n", "beat", r.Beat.Hz, r.Beat.DepthDB)
	}
	for _, s := range r.Stray {
		fmt.Fprintf(out, "  %-18s %.1f Hz at %+.0f dB\n", "foreign note", s.Hz, s.LevelDB)
	}
	if len(r.HumHz) > 0 {
		var hz []string
		for _, h := range r.HumHz {
			hz = append(hz, fmt.Sprintf("%.1f", h))
		}
		fmt.Fprintf(out, "  %-18s %s Hz (left out)\n", "hum", strings.Join(hz, ", "))
	}
	t := textTable{head: [][]string{{"partial", "Hz", "ratio", "Q", "level dB", "taps"}}, left: 1}
	for _, p := range r.Partials {
		t.add(partialName(p), compact(p.Hz), fmt.Sprintf("%.3f", p.Ratio), compact(p.Q), compact(p.LevelDB), fmt.Sprint(p.Taps))
	}
	t.write(out, "  ")
}

func partialName(p spectrum.Partial) string {
	name := string(p.Family)
	if p.Order > 0 {
		name += fmt.Sprintf(" %d", p.Order)
	}
	if p.Plane == 2 {
		name += ", other plane"
	}
	return name
}
