package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"slices"
	"strings"

	"golang.org/x/term"

	"ringstock/grading"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// widthOf is how many columns a table may have on w: the terminal's, or 80.
func widthOf(w io.Writer) int {
	if f, ok := w.(*os.File); ok {
		if width, _, err := term.GetSize(int(f.Fd())); err == nil && width > 0 {
			return min(max(width, 60), pageWidth)
		}
	}
	return 80
}

// rankingColumn is a column of numbers in the ranking. All its numbers have one number of
// decimals, so that they line up.
type rankingColumn struct {
	head, unit string
	of         func(grading.Blank) measure.Value
	most       int  // decimals at most
	ceiling    bool // near 100 it is a lower bound
	alone      bool // without its uncertainty, which is smaller than the last decimal shown
}

func ofFirstRing(get func(*spectrum.Ring) measure.Value) func(grading.Blank) measure.Value {
	return func(b grading.Blank) measure.Value {
		r := firstRing(b)
		if r == nil {
			return measure.Value{}
		}
		return get(r)
	}
}

// In playing, a hand, the bow's hair and the room move a note by half a hertz and
// more: tenths are enough.
var rankingColumns = []rankingColumn{
	{head: "note", unit: "Hz", most: 1, alone: true, of: ofFirstRing(func(r *spectrum.Ring) measure.Value { return r.Fundamental.Hz })},
	{head: "Q", most: 0, of: ofFirstRing(func(r *spectrum.Ring) measure.Value { return r.Fundamental.Q })},
	{head: "purity", unit: "%", most: 1, ceiling: true, of: ofFirstRing(func(r *spectrum.Ring) measure.Value { return r.PurityPct })},
	{head: "density", unit: "kg/m³", most: 0, of: func(b grading.Blank) measure.Value { return b.Wood.Density }},
	{head: "E/rho", unit: "MJ/kg", most: 2, of: func(b grading.Blank) measure.Value { return b.Wood.SpecificModulus }},
}

// decimals are those of the typical uncertainty's first figure.
func (c rankingColumn) decimals(us []float64) int {
	us = slices.DeleteFunc(us, func(u float64) bool { return !(u > 0) })
	if len(us) == 0 {
		return c.most
	}
	slices.Sort(us)
	return min(max(-int(math.Floor(math.Log10(us[len(us)/2])+1e-9)), 0), c.most)
}

// decimalsOf are the decimals of each column's numbers.
func decimalsOf(columns []rankingColumn, blanks []grading.Blank) []int {
	list := make([]int, len(columns))
	for i, c := range columns {
		var us []float64
		for _, b := range blanks {
			if v := c.of(b); v.Known() {
				us = append(us, v.U)
			}
		}
		list[i] = c.decimals(us)
	}
	return list
}

// purityText is a purity, a lower bound where it may be whole.
func purityText(v measure.Value) string {
	if v.Known() && v.X+v.U > 100 {
		return rankingColumn{ceiling: true}.text(v, 1)
	}
	return compact(v)
}

func (c rankingColumn) text(v measure.Value, decimals int) string {
	if !v.Known() {
		return "-"
	}
	if bound := v.X - 1.96*v.U; c.ceiling && v.X+v.U > 100 {
		return fmt.Sprintf(">%.*f", decimals, math.Floor(bound*math.Pow10(decimals))/math.Pow10(decimals))
	}
	step := math.Pow10(-decimals)
	switch {
	case v.U >= 10*step: // so uncertain that the last decimals mean nothing
		x, u := v.Rounded()
		return x + "±" + u
	case c.alone:
		return fmt.Sprintf("%.*f", decimals, v.X)
	}
	return fmt.Sprintf("%.*f±%.*f", decimals, v.X, decimals, max(v.U, step))
}

// scoreText is a score with its uncertainty, or between which bounds it lies where
// something that is judged is missing.
func scoreText(b grading.Blank) string {
	if !b.Score.Known() {
		return "-"
	}
	low, high := b.ScoreInterval()
	if open := slices.ContainsFunc(b.Parts, func(p grading.Part) bool { return p.Weight > 0 && !p.Desirability.Known() }); high > 0 && (open || b.Score.U >= 10) {
		return fmt.Sprintf("%.0f-%.0f", low, high)
	}
	if high == 0 {
		return "0"
	}
	return fmt.Sprintf("%.0f±%.0f", b.Score.X, max(b.Score.U, 1))
}

// printRanking prints what to do with a delivery, on one screen for two dozen blanks: the
// ranking, what the keeps cost together, what is asked back, and what to measure next.
func printRanking(w io.Writer, g grading.Grading, reportAt string, width int) error {
	var out strings.Builder
	wrapAt(&out, width, "", fmt.Sprintf("delivery %s, profile %s (±: one standard uncertainty; 5-6: a tie)", g.Delivery, g.Profile))
	var blanks []grading.Blank
	for b, err := range g.All() {
		if err != nil {
			return err
		}
		for _, r := range []**spectrum.Ring{&b.Ring, &b.WidthRing, &b.EndRing} {
			if *r != nil { // all that is asked of it here; thousands of blanks must not fill memory
				*r = &spectrum.Ring{Fundamental: spectrum.Partial{Hz: (*r).Fundamental.Hz, Q: (*r).Fundamental.Q}, PurityPct: (*r).PurityPct}
			}
		}
		blanks = append(blanks, b)
	}
	head := [][]string{{"rank", "blank", "verdict", "score"}, {"", "", "", "0-100"}}
	for _, c := range rankingColumns {
		head[0], head[1] = append(head[0], c.head), append(head[1], c.unit)
	}
	decimals := decimalsOf(rankingColumns, blanks)
	t := textTable{left: 3, cut: 1, head: head, width: width}
	for _, b := range blanks {
		cells := []string{rankText(b), b.Blank, string(b.Verdict), scoreText(b)}
		for i, c := range rankingColumns {
			cells = append(cells, c.text(c.of(b), decimals[i]))
		}
		t.add(cells...)
	}
	t.write(&out, "")
	writeConclusions(&out, g, blanks, width)
	wrapAt(&out, width, "", "more of each blank: --details; the report: "+cmp.Or(reportAt, "--out DIR"))
	_, err := io.WriteString(w, printable(out.String()))
	return err
}

func writeConclusions(out *strings.Builder, g grading.Grading, blanks []grading.Blank, width int) {
	say := func(text string) { wrapAt(out, width, "", text) }
	if g.Qualified == 0 {
		say(fmt.Sprintf("none of %d qualifies", len(blanks)))
	} else {
		say(fmt.Sprintf("%d of %d to keep%s", g.Qualified, len(blanks), costText(blanks)))
	}
	for _, b := range blanks {
		for i, s := range b.Suspect {
			if i > 0 && s.Why == b.Suspect[i-1].Why {
				continue
			}
			var columns []string
			for _, alike := range b.Suspect[i:] {
				if alike.Why != s.Why {
					break
				}
				columns = append(columns, alike.Entry())
			}
			say("asked back: " + b.Blank + ", " + strings.Join(columns, ", ") + ": " + s.Why)
		}
	}
	sayGroups := func(what string, of func(grading.Blank) []string) {
		var texts []string
		for _, group := range grouped(blanks, of) {
			texts = append(texts, group.name+" ("+strings.Join(group.blanks, ", ")+")")
		}
		if len(texts) > 0 {
			say(what + ": " + strings.Join(texts, "; "))
		}
	}
	sayGroups("short of a keep", func(b grading.Blank) []string {
		if b.Verdict == grading.Keep {
			return nil
		}
		return b.Obstacles(g.Settings)
	})
	sayGroups("measure next", func(b grading.Blank) []string {
		if b.Verdict != grading.Maybe || len(b.Suspect) > 0 || b.Wood.MeasureNext == "" {
			return nil
		}
		what, _, _ := strings.Cut(b.Wood.MeasureNext, ": ")
		return []string{strings.TrimPrefix(what, "measure ")}
	})
	for _, u := range g.Unused {
		say("could not be used: " + u.File + ": " + u.Reason)
	}
	for _, note := range g.Notes {
		say("note: " + note)
	}
}

// costText is what the keeps cost together, by currency.
func costText(blanks []grading.Blank) string {
	sums, without := map[string]float64{}, 0
	for _, b := range blanks {
		switch {
		case b.Verdict != grading.Keep:
		case b.Row.Price == nil:
			without++
		default:
			sums[b.Row.Currency] += *b.Row.Price
		}
	}
	if len(sums) == 0 {
		return ""
	}
	var texts []string
	for _, currency := range slices.Sorted(maps.Keys(sums)) {
		texts = append(texts, strings.TrimSpace(fmt.Sprintf("%.2f %s", sums[currency], currency)))
	}
	text := ", together " + strings.Join(texts, " and ")
	if without > 0 {
		text += fmt.Sprintf(" and %d without a price", without)
	}
	return text
}

type group struct {
	name   string
	blanks []string
}

// grouped gathers blanks by what is to be said of them, the largest groups first.
func grouped(blanks []grading.Blank, of func(grading.Blank) []string) (groups []group) {
	at := map[string]int{}
	for _, b := range blanks {
		for _, name := range of(b) {
			i, ok := at[name]
			if !ok {
				i = len(groups)
				at[name] = i
				groups = append(groups, group{name: name})
			}
			groups[i].blanks = append(groups[i].blanks, b.Blank)
		}
	}
	slices.SortStableFunc(groups, func(a, b group) int { return cmp.Compare(len(b.blanks), len(a.blanks)) })
	return groups
}
