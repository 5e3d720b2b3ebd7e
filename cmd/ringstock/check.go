package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ringstock/capture"
	"ringstock/capture/filefault"
	"ringstock/capture/room"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
	"ringstock/grading/metal"
	"ringstock/spectrum"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

type checkOptions struct {
	sound
	seconds float64
	json    bool
	metal   string
	mm      struct{ length, height, width, diameter float64 }
	massG   float64
}

func newCheck() *cobra.Command {
	var o checkOptions
	cmd := &cobra.Command{
		Use:   "check [FOLDER]",
		Short: "Prove that room, microphone and computer can be trusted",
		Long: `Before money is spent: does the rig tell the truth?

  ringstock check                 the room and the microphone. Keep quiet for two seconds, clap
                                  once, and keep quiet again for two. Tells noise, hum,
                                  reverberation, whether the low end is weak, and whether the
                                  device changes its gain or suppresses noise, and what to switch off.
  ringstock check --metal steel --length-mm 600 --diameter-mm 10 --mass-g 370
                                  a known bar. Tap a metal rod or bar, held at its nodes (0.224 of
                                  its length from an end), on the face of --height-mm. Its density
                                  and Young's modulus must come out as the handbooks have them.

With FOLDER the result is also kept there (check-room.json, check-bar.json).

Exit status: 0 sound, 1 failed, 2 wrong usage, 3 done but something is to be put right,
130 interrupted.`,
		Example: `  ringstock check
  ringstock check spring-delivery --metal steel --length-mm 600 --diameter-mm 10 --mass-g 370
  ringstock check --from bar.wav --metal steel --length-mm 600 --diameter-mm 10 --mass-g 370`,
		Args: takes(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error { return runCheck(cmd, args, o) },
	}
	f := cmd.Flags()
	o.sound.addFlags(cmd)
	quantityVar(f, &o.seconds, "seconds", 0, 0, 1e6, "listen for so many seconds: 6 if 0, with a bar 12")
	f.BoolVar(&o.json, "json", false, "print one JSON document")
	f.StringVar(&o.metal, "metal", "", "check with a bar of this `METAL`: aluminium, brass, copper, steel, stainless steel")
	quantityVar(f, &o.mm.length, "length-mm", 0, 10, 10000, "of the bar")
	quantityVar(f, &o.mm.height, "height-mm", 0, 0.5, 200, "of a rectangular bar, in the direction of the tap")
	quantityVar(f, &o.mm.width, "width-mm", 0, 0.5, 1000, "of a rectangular bar")
	quantityVar(f, &o.mm.diameter, "diameter-mm", 0, 0.5, 200, "of a round bar")
	quantityVar(f, &o.massG, "mass-g", 0, 0.1, 100000, "of the bar")
	return cmd
}

func runCheck(cmd *cobra.Command, args []string, o checkOptions) error {
	var m metal.Metal
	var b metal.Bar
	if o.metal != "" {
		var err error
		if m, err = metal.Find(o.metal); err != nil {
			return usageError{err}
		}
		own, err := settingsFor("")
		if err != nil {
			return err
		}
		if b, err = o.bar(own.Instruments); err != nil {
			return usageError{err}
		}
	} else if o.mm.length != 0 || o.massG != 0 {
		return usageError{errors.New("the measures of a bar need its --metal")}
	}
	if len(args) == 1 {
		// Before the listening, so that nothing heard is lost for want of a folder.
		if err := os.MkdirAll(args[0], 0o777); err != nil {
			return fmt.Errorf("the folder can't be made: %w", err)
		}
	}
	loud, err := hush(o.verbose)
	if err != nil {
		return err
	}
	defer func() { loud(cmd.ErrOrStderr()) }()
	rec, device, err := o.record(cmd)
	if err != nil {
		return err
	}
	result := checkDocument{Schema: "ringstock/check/1", Device: device, RateHz: rec.Rate, CheckedAt: time.Now().UTC().Truncate(time.Second)}
	name := "check-room.json"
	if o.metal != "" {
		name = "check-bar.json"
		err = result.tap(rec, m, b)
	} else {
		var r room.Report
		r, err = room.Inspect(rec)
		result.Room, result.Sound = &r, len(r.Doubts) == 0
	}
	if err != nil {
		return err
	}
	if len(args) == 1 {
		if err := writeFile(filepath.Join(args[0], name), func(w io.Writer) error { return writeJSON(w, result) }); err != nil {
			return err
		}
	}
	if o.json {
		err = writeJSON(cmd.OutOrStdout(), result)
	} else {
		err = result.print(cmd.OutOrStdout())
	}
	if err == nil && !result.Sound {
		return doubtful{}
	}
	return err
}

// doubtful is partly done.
type doubtful struct{}

func (doubtful) Error() string { return "something is to be put right first; it is listed" }
func (doubtful) Unwrap() error { return partlyDone{1} }

// bar is the bar of the flags, with the standard uncertainties of the maker's rule and
// scale, and of a calliper on metal (common practice, no source).
func (o checkOptions) bar(own grading.Instruments) (metal.Bar, error) {
	b := metal.Bar{Shape: bar.Rectangular}
	h, w := o.mm.height, o.mm.width
	if o.mm.diameter != 0 {
		if h != 0 || w != 0 {
			return b, errors.New("give --diameter-mm, or --height-mm and --width-mm")
		}
		b.Shape, h, w = bar.Round, o.mm.diameter, o.mm.diameter
	}
	for _, v := range []struct {
		flag string
		x    float64
	}{{"--length-mm", o.mm.length}, {"--height-mm (or --diameter-mm)", h}, {"--width-mm (or --diameter-mm)", w}, {"--mass-g", o.massG}} {
		if !(v.x > 0) {
			return b, fmt.Errorf("a bar needs %s, above 0", v.flag)
		}
	}
	b.Length, b.Height, b.Width = measure.Of(o.mm.length/1e3, own.Of("length_u_mm")/1e3), measure.Of(h/1e3, 0.02e-3), measure.Of(w/1e3, 0.02e-3)
	b.Mass = measure.Of(o.massG/1e3, own.Of("mass_u_g")/1e3)
	return b, nil
}

// record listens for the wanted time.
func (o checkOptions) record(cmd *cobra.Command) (capture.Recording, session.Device, error) {
	src, device, err := o.openWithin(cmd.Context(), false)
	if err != nil {
		return capture.Recording{}, device, err
	}
	defer func() {
		if err := src.Close(); err != nil {
			fmt.Fprintln(cmd.ErrOrStderr(), printable(filefault.Text(err)))
		}
	}()
	seconds, task := o.seconds, "keep quiet for two seconds, clap once, and keep quiet again"
	if o.metal != "" {
		task = "keep quiet for a second, then tap the bar three times, and let it ring out each time"
	}
	if seconds == 0 {
		seconds = 6
		if o.metal != "" {
			seconds = 12
		}
		if o.from != "" {
			seconds = math.Inf(1) // all of it
		}
	}
	said := false
	var x []float64
	var b capture.Block
	for float64(len(x)) < seconds*src.Rate() {
		if err := cmd.Context().Err(); err != nil {
			return capture.Recording{}, device, err
		}
		err := src.Read(&b)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return capture.Recording{}, device, err
		}
		if b.Lost > 0 || b.Flags != 0 {
			return capture.Recording{}, device, errors.New("sound was lost: close other programs, or plug the laptop in, and check again")
		}
		if !said && len(b.Samples) > 0 {
			// Only now: a microphone may take seconds to begin.
			said = true
			fmt.Fprintln(cmd.ErrOrStderr(), printable("listening to "+deviceText(device, src.Rate())+": "+task))
		}
		x = append(x, b.Samples...)
	}
	return capture.Recording{Source: device.Name, Rate: src.Rate(), Tracks: [][]float64{x}}, device, nil
}

// checkDocument is what check found.
type checkDocument struct {
	Schema    string    `json:"schema"`
	CheckedAt time.Time `json:"checked_at"`
	session.Device
	RateHz  float64        `json:"sample_rate_hz"`
	Sound   bool           `json:"sound"` // nothing is to be put right
	Room    *room.Report   `json:"room"`
	Metal   string         `json:"metal"`
	Bar     *metal.Result  `json:"bar"`
	Verdict string         `json:"verdict"`
	Ring    *spectrum.Ring `json:"ring"`
}

// tap judges the taps on a known bar.
func (d *checkDocument) tap(rec capture.Recording, m metal.Metal, b metal.Bar) error {
	_, a := hear(rec.Source, rec, nil, spectrum.SideTap, spectrum.Expected{})
	if a.Ring == nil {
		return errors.New(a.Error.Text)
	}
	r, err := m.Measure(b, a.Ring.Fundamental.Hz)
	if err != nil {
		return err
	}
	d.Ring, d.Bar, d.Metal = a.Ring, &r, m.Name
	d.Sound, d.Verdict = m.Judge(b, r)
	return nil
}

func (d *checkDocument) print(w io.Writer) error {
	var out strings.Builder
	line := func(name, format string, a ...any) {
		fmt.Fprintf(&out, "%-18s %s\n", name, fmt.Sprintf(format, a...))
	}
	if r := d.Room; r != nil {
		value := func(name, key, format string, a ...any) {
			if why, missing := r.Missing[key]; missing {
				line(name, "not known: %s", why)
				return
			}
			line(name, format, a...)
		}
		line("noise", "%.0f dB (full scale is 0 dB; no uncertainty: it is that of this moment)", r.NoiseDB)
		if len(r.HumHz) == 0 {
			line("hum", "none stands out")
		} else {
			line("hum", "%s", hertzList(r.HumHz))
		}
		line("clap", "peak %.0f dB%s", r.PeakDB, map[bool]string{true: ", clipped"}[r.Clipped])
		value("reverberation", "rt60_s", "60 dB in %.2f s (from one clap: within about a fifth)", r.RT60S)
		value("decay", "bend_db", "within %.1f dB of a straight line", r.BendDB)
		value("noise afterwards", "pump_db", "%+.1f dB", r.PumpDB)
		value("low end", "low_slope_db_per_octave", "the microphone loses %s%.0f dB per octave from 500 to 100 Hz (within about 3: claps differ)", map[bool]string{true: "at least "}[r.LowAtLeast], r.LowSlope)
		for _, doubt := range r.Doubts {
			wrap(&out, "", "! "+doubt.Text)
		}
		if d.Sound {
			out.WriteString("nothing is to be put right\n")
		}
	} else {
		line("note", "%s Hz, %s, from %d taps", hertz(d.Ring.Fundamental.Hz), noteName(d.Ring.Fundamental.Hz.X), d.Ring.TapsUsed)
		m, err := metal.Find(d.Metal)
		if err != nil {
			return err
		}
		line("density", "%s (%s: %.0f to %.0f)", d.Bar.Density.Text("kg/m³"), m.Name, m.Density[0], m.Density[1])
		line("Young's modulus", "%s (%s: %.0f to %.0f)", d.Bar.E.Text("GPa"), m.Name, m.E[0]/1e9, m.E[1]/1e9)
		line("sound speed", "%s", d.Bar.SoundSpeed.Text("m/s"))
		wrap(&out, "", map[bool]string{true: "", false: "! "}[d.Sound]+d.Verdict)
		wrap(&out, "", "ranges: "+metal.Source)
	}
	_, err := io.WriteString(w, printable(out.String()))
	return err
}
