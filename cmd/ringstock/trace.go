package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	_ "image/jpeg" // photographs
	"image/png"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stick"
	"ringstock/grading/stick/sheet"
	"ringstock/grading/stick/trace"
)

type traceOptions struct {
	trace.Options
	between, through, butt string
	against, overlay, html string
	stations, json         bool
}

func newTrace() *cobra.Command {
	var o traceOptions
	cmd := &cobra.Command{
		Use:   "trace SCAN --scale-mm MM --between X,Y:X,Y",
		Short: "Read a camber from a scanned or photographed pencil line",
		Long: `Finds the pencil line along which a stick was traced on paper, in a scan or photograph (PNG, JPEG), and
makes camber readings of it with their uncertainty. Two marks on the paper of known distance give
the scale: name their places in the picture, in pixels from its upper left corner, by
--between. A photograph is never taken quite straight: for one draw a rectangle, and name its
four corners in order round it, with its other side by --across-mm.

The camber is counted from the straight line through the ends of the pencil line. Where a second
line is there, it is asked about; a place that the line passes chooses it (--through). Look
at what was found: --overlay draws it into a copy of the picture.
` + stockExitHelp,
		Example: `  ringstock trace scan.png --scale-mm 600 --between 310,200:5034,212
  ringstock trace photo.jpg --scale-mm 680 --across-mm 50 --between 90,700:3910,640:3925,920:100,990 --overlay found.png
  ringstock trace scan.png --scale-mm 600 --between 310,200:5034,212 --stations > camber.toml`,
		Args: takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error { return runTrace(cmd, o, args[0]) },
	}
	f := cmd.Flags()
	quantityVar(f, &o.DistanceMM, "scale-mm", 0, 10, 3000, "distance of the first two marks in `MM`")
	quantityVar(f, &o.AcrossMM, "across-mm", 0, 5, 3000, "distance of the second and third of four marks in `MM`")
	f.StringVar(&o.between, "between", "", "the marks in the picture: two or four `PLACES` like 310,200:5034,212")
	f.StringVar(&o.through, "through", "", "`PLACES` that the line passes, like 2600,340")
	f.StringVar(&o.butt, "butt", "left", "the `END` of the line at the butt: left or right")
	quantityVar(f, &o.FromMM, "from-mm", 0, 0, 2000, "where that end lies, in `MM` from the butt of the stick")
	quantityVar(f, &o.EveryMM, "every-mm", 25, 5, 500, "distance of the readings in `MM`")
	f.StringVar(&o.against, "against", "", "compare with the camber of this `FILE`: a card, a table, or --json of another tracing")
	f.StringVar(&o.overlay, "overlay", "", "write a copy of the picture with the found line to this PNG `FILE`")
	f.StringVar(&o.html, "html", "", "write it as a sheet to read and print to this `FILE`")
	f.BoolVar(&o.stations, "stations", false, "print stations to append to a card")
	f.BoolVar(&o.json, "json", false, "print one JSON document")
	return cmd
}

func runTrace(cmd *cobra.Command, o traceOptions, path string) error {
	if err := o.places(); err != nil {
		return usageError{err}
	}
	img, err := readPicture(path)
	if err != nil {
		return err
	}
	t, err := trace.Find(img, o.Options)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	for _, q := range t.Questions {
		fmt.Fprintln(cmd.ErrOrStderr(), printable(path+": "+q))
	}
	var fit *stick.CamberFit
	if o.against != "" {
		other, err := readCamber(o.against)
		if err != nil {
			return err
		}
		f, _, err := stick.CompareCamber(other, t.Points())
		if err != nil {
			return fmt.Errorf("%s: the cambers can't be compared: %w", o.against, err)
		}
		fit = &f
	}
	if o.overlay != "" {
		if err := writeFile(o.overlay, func(w io.Writer) error { return png.Encode(w, overlay(img, t.Line)) }); err != nil {
			return err
		}
		fmt.Fprintln(cmd.ErrOrStderr(), printable("the found line is drawn in "+o.overlay))
	}
	if o.html != "" {
		page := sheet.Traced{Name: path, Says: traceSays(t, fit), Camber: t.Points(), Against: o.against, Fit: fit, Notes: t.Notes, Questions: t.Questions}
		for _, r := range t.Readings {
			page.CamberU = append(page.CamberU, r.CamberMM)
		}
		if err := writeSheet(cmd, o.html, page.Write); err != nil {
			return err
		}
	}
	switch {
	case o.json:
		return writeJSON(cmd.OutOrStdout(), struct {
			trace.Trace
			Against *stick.CamberFit `json:"against"`
		}{t, fit})
	case o.stations:
		return printStations(cmd.OutOrStdout(), t)
	}
	return printTrace(cmd.OutOrStdout(), t, fit)
}

// places reads the options that name places.
func (o *traceOptions) places() (err error) {
	if o.DistanceMM == 0 {
		return errors.New("give --scale-mm, the distance of the first two marks")
	}
	if o.Marks, err = places(o.between); err != nil {
		return fmt.Errorf("--between: %w", err)
	}
	if o.Through, err = places(o.through); err != nil {
		return fmt.Errorf("--through: %w", err)
	}
	if n := len(o.Marks); n != 2 && n != 4 {
		return errors.New("--between: give two marks, or the four corners of a rectangle, like 310,200:5034,212")
	}
	if len(o.Marks) == 4 && o.AcrossMM == 0 {
		return errors.New("four marks are a rectangle: give its other side by --across-mm")
	}
	if o.butt != "left" && o.butt != "right" {
		return fmt.Errorf("--butt %s: give left or right", o.butt)
	}
	o.ButtRight = o.butt == "right"
	return nil
}

// places reads places like 310,200:5034,212.
func places(text string) (list []trace.Pixel, err error) {
	for _, part := range strings.FieldsFunc(text, func(r rune) bool { return r == ':' || r == ' ' }) {
		x, y, ok := strings.Cut(part, ",")
		px, errX := strconv.ParseFloat(x, 64)
		py, errY := strconv.ParseFloat(y, 64)
		if !ok || errX != nil || errY != nil || !(math.Abs(px)+math.Abs(py) < 1e6) {
			return nil, fmt.Errorf("%q is no place in a picture: give pixels from its upper left corner, like 310,200", part)
		}
		list = append(list, trace.Pixel{X: px, Y: py})
	}
	return list, nil
}

const mostPixels = 80e6

// readPicture reads a PNG or JPEG, not before its size is known to be bearable.
func readPicture(path string) (image.Image, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("scan: %w", err)
	}
	defer f.Close()
	size, _, err := image.DecodeConfig(f)
	if err != nil {
		return nil, fmt.Errorf("%s: this is no PNG or JPEG: %w", path, err)
	}
	if float64(size.Width)*float64(size.Height) > mostPixels {
		return nil, fmt.Errorf("%s: %d by %d pixels are too many: scan at 200 dpi", path, size.Width, size.Height)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	img, _, err := image.Decode(f)
	if err != nil {
		return nil, fmt.Errorf("%s: the picture can't be read: %w", path, err)
	}
	return img, nil
}

// readCamber reads the camber of a card, a table, or another tracing.
func readCamber(path string) ([]stick.Point, error) {
	if text, err := os.ReadFile(path); err == nil && json.Valid(text) {
		var doc struct {
			Schema string
			Camber []struct {
				AtMM     float64  `json:"at_mm"`
				CamberMM *float64 `json:"camber_mm"`
			}
		}
		if err := json.Unmarshal(text, &doc); err != nil || doc.Schema != trace.Schema {
			return nil, fmt.Errorf("%s: this is no tracing: it takes what ringstock trace --json prints", path)
		}
		var list []stick.Point
		for _, c := range doc.Camber {
			if c.CamberMM != nil {
				list = append(list, stick.Point{X: c.AtMM / 1000, Y: *c.CamberMM / 1000})
			}
		}
		return list, nil
	}
	m, err := readModel(path)
	return m.Camber, err
}

// overlay is the picture with a line drawn into it.
func overlay(img image.Image, line []trace.Pixel) image.Image {
	b := img.Bounds()
	out := image.NewRGBA(b)
	draw.Draw(out, b, img, b.Min, draw.Src)
	red := color.RGBA{220, 30, 30, 255}
	for i := 1; i < len(line); i++ {
		p, q := line[i-1], line[i]
		steps := int(math.Hypot(q.X-p.X, q.Y-p.Y)) + 1
		for k := range steps {
			t := float64(k) / float64(steps)
			x, y := b.Min.X+int(p.X+t*(q.X-p.X)), b.Min.Y+int(p.Y+t*(q.Y-p.Y))
			out.Set(x, y, red)
			out.Set(x, y+1, red)
		}
	}
	return out
}

// printStations prints the readings as stations of a card.
func printStations(w io.Writer, t trace.Trace) error {
	var out strings.Builder
	for _, r := range t.Readings {
		fmt.Fprintf(&out, "\n[[station]]\nat_mm = %.1f\ncamber_mm = %.2f\n", r.AtMM, r.CamberMM.X)
	}
	return say(w, &out)
}

// traceSays is the answer in sentences.
func traceSays(t trace.Trace, fit *stick.CamberFit) []string {
	deepest := t.Readings[0]
	for _, r := range t.Readings {
		if r.CamberMM.X > deepest.CamberMM.X {
			deepest = r
		}
	}
	list := []string{fmt.Sprintf("A line of %.0f mm was found; it is deepest at %.0f mm: %s.", t.LengthMM, deepest.AtMM, deepest.CamberMM.Text("mm"))}
	if fit != nil {
		list = append(list, fmt.Sprintf("Laid on the other (shifted by %+.2f mm, tilted by %+.2f mm/m) it is off by %+.2f mm at most, at %.0f mm; %.2f mm rms.",
			fit.ShiftMM, fit.TiltMMPerM, fit.LargestMM, fit.LargestAtMM, fit.RMSmm))
	}
	return append(list, fmt.Sprintf("Its points scatter by %.2f mm about a smooth curve; %.3g pixels are a millimetre.", t.RMSMM, t.PixelsMM))
}

func printTrace(w io.Writer, t trace.Trace, fit *stick.CamberFit) error {
	var out strings.Builder
	for _, line := range traceSays(t, fit) {
		wrapAt(&out, answerWidth, "", line)
	}
	out.WriteString("\n")
	table := textTable{left: 0, head: [][]string{{"at", "camber"}, {"mm", "mm"}}}
	for _, r := range t.Readings {
		table.add(fmt.Sprintf("%.1f", r.AtMM), compact(r.CamberMM))
	}
	table.write(&out, "  ")
	for _, note := range t.Notes {
		wrapAt(&out, answerWidth, "", "note: "+note)
	}
	return say(w, &out)
}
