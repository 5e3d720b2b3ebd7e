package grading

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"ringstock/capture/filefault"
	"ringstock/grading/spool"
	"ringstock/spectrum"
)

// Job is a delivery folder to grade. Names must not lead out of Folder by links: os.Root
// sees to that.
type Job struct {
	Folder      fs.FS
	Delivery    string // name of the delivery
	Profile     Profile
	Instruments Instruments // the maker's own
	Hear        Hear        // hears a file of the folder
	// Judged is called one at a time after each blank; it may be nil. An
	// error ends the grading.
	Judged func(blank Blank, heard Heard, done, of int) error
	// Spool is where the blanks are laid by, which must stay open as long as the grading
	// is used. Without one they are in memory.
	Spool *spool.Spool
}

// Grade judges all blanks of a delivery, as many at a time as there are processors. What
// was heard of a blank is dropped once it is judged, and with a spool the blank too, so
// that memory holds hardly more for thousands of blanks than for a few. The result does
// not depend on which blank is done first.
func Grade(ctx context.Context, job Job) (Grading, error) {
	delivery, err := job.Instruments.ReadDelivery(job.Folder)
	if err != nil {
		return Grading{}, err
	}
	laid := laid{spool: job.Spool}
	if job.Spool == nil {
		laid.spool = spool.New("")
		defer laid.spool.Close()
	}
	out := Grading{
		Schema: Schema, Method: spectrum.Method, Delivery: job.Delivery, Profile: job.Profile.Name, Settings: job.Profile,
		Unused: append([]Unused{}, delivery.Unused...),
		Notes:  append([]string{}, slices.Concat(delivery.Notes, defaultsNote(delivery.Rows), unnamedNote(job.Folder, delivery))...),
		Blanks: []Blank{},
	}
	shared := sharedSound(job.Folder, delivery.Rows)
	rows := make([]spool.Place, len(delivery.Rows))
	for i, row := range delivery.Rows {
		if rows[i], err = laid.spool.Put(row); err != nil {
			return Grading{}, err
		}
	}
	delivery.Rows = nil
	type outcome struct {
		laidBlank
		contender
		keep   bool
		unused []Unused
		sound  bool // some recording of it is sound
		witness
	}
	outcomes := make([]outcome, len(rows))
	var oneAtATime sync.Mutex
	done := 0
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range rows {
		g.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			var row Row
			if err := laid.spool.Get(rows[i], &row); err != nil {
				return err
			}
			heard := Listen(row, job.hear)
			blank := Judge(job.Profile, row, heard)
			lies, err := laid.put(blank)
			if err != nil {
				return err
			}
			outcomes[i] = outcome{lies, blank.contender(), blank.Verdict == Keep, heard.unused(), heard.sound(), blank.witness(job.Profile)}
			oneAtATime.Lock()
			defer oneAtATime.Unlock()
			done++
			if job.Judged == nil {
				return nil
			}
			return job.Judged(blank, heard, done, len(outcomes))
		})
	}
	if err := g.Wait(); err != nil {
		return Grading{}, err
	}
	witnesses := make([]witness, len(outcomes))
	for i, o := range outcomes {
		witnesses[i] = o.witness
	}
	odd := amongOthers(witnesses)
	get := func(i int) (b Blank, err error) {
		err = laid.spool.Get(outcomes[i].laidBlank.blank, &b)
		return b, err
	}
	exchanged, err := exchangedAmong(witnesses, odd, get)
	if err != nil {
		return Grading{}, err
	}
	for i := range outcomes {
		expected, isOdd := odd[i]
		if !isOdd && len(shared[i])+len(exchanged[i]) == 0 {
			continue
		}
		o := &outcomes[i]
		b, err := get(i)
		if err != nil {
			return Grading{}, err
		}
		more := slices.Concat(exchanged[i], shared[i])
		if isOdd {
			more = slices.Concat(more, b.suspectsAmong(expected))
		}
		if !b.doubt(job.Profile, more) {
			continue
		}
		if o.laidBlank.blank, err = laid.spool.Put(b); err != nil {
			return Grading{}, err
		}
		o.keep = b.Verdict == Keep
	}
	for _, o := range outcomes {
		out.Unused = append(out.Unused, o.unused...)
		// What is in the table is a blank; without a table only sound makes one.
		if !delivery.Listed && !o.sound {
			continue
		}
		o.contender.at = len(laid.blanks)
		laid.blanks, laid.ranked = append(laid.blanks, o.laidBlank), append(laid.ranked, o.contender)
		if o.keep {
			out.Qualified++
		}
	}
	if err := rank(laid.ranked, laid.scores); err != nil {
		return Grading{}, err
	}
	out.laid = &laid
	if job.Spool == nil {
		err = out.load()
	}
	return out, err
}

// exchangedAmong finds the pairs of blanks whose recordings changed places, and what is
// asked back of each.
func exchangedAmong(witnesses []witness, odd map[int]expectation, get func(int) (Blank, error)) (map[int][]Suspect, error) {
	out := map[int][]Suspect{}
	gains := map[int]float64{}
	for _, e := range exchangesAmong(witnesses, odd) {
		a, err := get(e.a)
		if err != nil {
			return nil, err
		}
		b, err := get(e.b)
		if err != nil {
			return nil, err
		}
		gain := a.exchangedWith(b, e.sides, odd[e.a]) - e.unlikely
		if gain <= 0 || gain <= gains[e.a] || gain <= gains[e.b] {
			continue
		}
		gains[e.a], gains[e.b] = gain, gain
		out[e.a], out[e.b] = a.exchangeSuspects(b, e.sides), b.exchangeSuspects(a, e.sides)
	}
	return out, nil
}

// hear hears a recording of the folder, after a look at its name.
func (job Job) hear(name string, strike spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
	clean, err := locate(job.Folder, name)
	if err != nil {
		return spectrum.Unread(name, filefault.Text(err))
	}
	a := job.Hear(clean, strike, note)
	a.File = name
	return a
}

var drive = regexp.MustCompile(`^[A-Za-z]:`)

// locate finds the file that a table means. A name that leads out of the folder is
// refused.
func locate(folder fs.FS, name string) (string, error) {
	slashed := strings.ReplaceAll(name, `\`, "/")
	clean := path.Clean(slashed)
	if path.IsAbs(slashed) || !fs.ValidPath(clean) || drive.MatchString(clean) || slices.Contains(strings.Split(slashed, "/"), "..") {
		return "", errors.New("the name leads out of the delivery folder: put the recording into the folder and name it from there")
	}
	info, err := fs.Stat(folder, clean)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", errors.New("there is no such file in the folder" + namesake(folder, clean))
	case err != nil:
		return "", fmt.Errorf("the file can't be opened inside the delivery folder: %w", err)
	case !info.Mode().IsRegular():
		return "", errors.New("this is not a file: name a recording")
	}
	return clean, nil
}

// namesake hints at a file whose name differs only in capital letters.
func namesake(folder fs.FS, name string) string {
	entries, err := fs.ReadDir(folder, path.Dir(name))
	if err != nil {
		return ""
	}
	for _, e := range entries {
		if strings.EqualFold(e.Name(), path.Base(name)) {
			return ": did you mean " + e.Name() + "?"
		}
	}
	return ": correct the name in the table, or add the file"
}

func (h Heard) unused() (list []Unused) {
	for _, a := range h.all() {
		if a.Error != nil {
			list = append(list, Unused{File: a.File, Reason: a.Error.Text})
		}
	}
	return list
}

// sound tells whether any recording could be read as sound.
func (h Heard) sound() bool {
	return slices.ContainsFunc(h.all(), func(a spectrum.Analysis) bool { return a.SampleRateHz > 0 })
}

func defaultsNote(rows []Row) []string {
	var used []string
	blanks := 0
	for _, r := range rows {
		if len(r.Defaults) > 0 {
			blanks++
		}
		for _, d := range r.Defaults {
			if !slices.Contains(used, d) {
				used = append(used, d)
			}
		}
	}
	if blanks == 0 {
		return nil
	}
	return []string{fmt.Sprintf("usual standard uncertainties (common practice) where the table gives none, for %d of %d blanks: %s",
		blanks, len(rows), strings.Join(used, ", "))}
}

// sharedSound finds recordings that several blanks claim: by one name, or by the same
// bytes under two names. It returns the suspects by the place of their row.
func sharedSound(folder fs.FS, rows []Row) map[int][]Suspect {
	type claim struct {
		row          int
		column, name string
	}
	byName, bySize := map[string][]claim{}, map[int64][]claim{}
	for i, r := range rows {
		for _, column := range []string{"file", "width_file", "end_file"} {
			for _, name := range *recordings[column](&r) {
				clean := path.Clean(strings.ReplaceAll(name, `\`, "/"))
				byName[clean] = append(byName[clean], claim{i, column, name})
			}
		}
	}
	out := map[int][]Suspect{}
	tell := func(claims []claim, how string) {
		for i, c := range claims {
			other := claims[(i+1)%len(claims)]
			if other.row == c.row {
				continue
			}
			out[c.row] = append(out[c.row], Suspect{c.column, c.name, fmt.Sprintf("%s blank %s too (%s): one recording can't be of two blanks", how, rows[other.row].Blank, other.name), nil, nil})
		}
	}
	for _, name := range slices.Sorted(maps.Keys(byName)) {
		claims := byName[name]
		tell(claims, "it is named for")
		if info, err := fs.Stat(folder, name); err == nil && info.Size() > 0 {
			bySize[info.Size()] = append(bySize[info.Size()], claims[0])
		}
	}
	for _, size := range slices.Sorted(maps.Keys(bySize)) {
		if len(bySize[size]) < 2 {
			continue
		}
		bySum := map[[sha256.Size]byte][]claim{}
		for _, c := range bySize[size] {
			if sum, err := sumOf(folder, path.Clean(strings.ReplaceAll(c.name, `\`, "/"))); err == nil {
				bySum[sum] = append(bySum[sum], c)
			}
		}
		for _, claims := range bySum {
			tell(claims, "the same sound, byte for byte, is named for")
		}
	}
	return out
}

func sumOf(folder fs.FS, name string) (sum [sha256.Size]byte, err error) {
	f, err := folder.Open(name)
	if err != nil {
		return sum, err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return sum, err
	}
	return [sha256.Size]byte(h.Sum(nil)), nil
}

// unnamedNote tells of recordings in the folder that no row names.
func unnamedNote(folder fs.FS, d Delivery) []string {
	if !d.Listed {
		return nil
	}
	named := map[string]bool{}
	for _, r := range d.Rows {
		for _, name := range slices.Concat(r.File, r.WidthFile, r.EndFile) {
			named[path.Clean(strings.ReplaceAll(name, `\`, "/"))] = true
		}
	}
	entries, err := fs.ReadDir(folder, ".")
	if err != nil {
		return nil
	}
	var forgotten []string
	for _, e := range entries {
		if !e.IsDir() && soundFile(e.Name()) && !named[e.Name()] {
			forgotten = append(forgotten, e.Name())
		}
	}
	if len(forgotten) == 0 {
		return nil
	}
	return []string{"no row of the table that can be used names " + strings.Join(forgotten, ", ")}
}
