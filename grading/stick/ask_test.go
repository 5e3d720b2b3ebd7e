package stick

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// invented is a sound stick of few stations, mm: a card's taper, a cone or a power law
// behind an even handle, stretched and thickened; its width beside its height by a slowly
// changing difference.
func invented(rng *rand.Rand, n int, cards []Model) (x, h, w []float64) {
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	length, thick, kind := between(650, 740), between(0.92, 1.1), rng.IntN(len(cards)+2)
	handle, power := between(0, 100), between(1.2, 2.5)
	oval, more := between(0, 0.15), between(0, 0.2)
	for i := range n {
		u := float64(i) / float64(n-1)
		if i > 0 && i < n-1 {
			u += between(-0.25, 0.25) / float64(n-1)
		}
		d := 8.6 - 3.3*u
		switch {
		case kind < len(cards):
			d = 1000 * cards[kind].Section(u*cards[kind].Length()).Height
		case kind == len(cards):
			d = 8.6 - 3.3*math.Pow(max(0, u*length-handle)/(length-handle), power)
		}
		x = append(x, math.Round(10*u*length)/10)
		h = append(h, thick*d)
		w = append(w, thick*d-oval-more*u)
	}
	return x, h, w
}

func tableOf(rng *rand.Rand, x []float64, columns map[string][]float64) string {
	var b strings.Builder
	names := slices.Sorted(maps.Keys(columns))
	b.WriteString("at_mm," + strings.Join(names, ",") + "\n")
	for i := range x {
		fmt.Fprintf(&b, "%.1f", x[i])
		for _, name := range names {
			fmt.Fprintf(&b, ",%.2f", columns[name][i]+0.05*rng.NormFloat64())
		}
		b.WriteString("\n")
	}
	return b.String()
}

// One misread diameter in a short table is asked back in nine of ten, a sound table in
// less than one of a hundred: also where there is one diameter a station, and nothing but
// the outline can tell.
func TestShortTables(t *testing.T) {
	cards := []Model{builtIn(t, "published-graduation"), builtIn(t, "demo-violin"), builtIn(t, "demo-cello")}
	asked := func(text string) bool {
		m, err := ReadModel("m.csv", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		return len(m.Questions) > 0
	}
	for _, c := range []struct {
		columns        []string
		least, most    float64
		missed, alarms float64 // at most, of all
	}{
		{[]string{"height_mm", "width_mm"}, 0.5, 1, 0.1, 0.01},
		{[]string{"height_mm"}, 0.5, 1, 0.1, 0.01},
		{[]string{"height_mm"}, 1, 4, 0.02, 0.01},
	} {
		rng := rand.New(rand.NewPCG(11, 7))
		const trials = 1000
		var missed, alarms float64
		for range trials {
			x, h, w := invented(rng, 4+rng.IntN(5), cards)
			read := map[string][]float64{"height_mm": h, "width_mm": w}
			if len(c.columns) == 1 {
				delete(read, "width_mm")
			}
			if asked(tableOf(rng, x, read)) {
				alarms++
			}
			off := c.least + (c.most-c.least)*rng.Float64()
			if rng.IntN(2) == 0 {
				off = -off
			}
			read[c.columns[rng.IntN(len(c.columns))]][rng.IntN(len(x))] += off
			if !asked(tableOf(rng, x, read)) {
				missed++
			}
		}
		t.Logf("%v off by %g to %g mm: %.1f %% missed, %.1f %% false alarms", c.columns, c.least, c.most, 100*missed/trials, 100*alarms/trials)
		if missed > c.missed*trials {
			t.Errorf("%v: %g of %d misread diameters are missed", c.columns, missed, trials)
		}
		if alarms > c.alarms*trials {
			t.Errorf("%v: %g of %d sound tables are asked back", c.columns, alarms, trials)
		}
	}
}

// Units mixed up, and octagons that can't be told from round, are asked back.
func TestAskedBack(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"at_mm,height_mm\n0,0.86\n35,0.75\n70,0.53\n", "are the diameters in cm?"},
		{"at_mm,height_mm\n0,8.6\n35,7.5\n70,5.3\n", "the stick is 70 mm long: are the places in cm?"},
		{"at_mm,height_mm,width_mm\n0,8.6,8.6\n250,8.2,8.1\n500,70,7.0\n700,5.3,5.3\n", "the height of 70 mm at 500 mm is 8.5 times what the others are"},
		{"at_mm,height_mm,width_mm\n0,8.6,8.6\n700,70,5.3\n", "the height rises from 8.60 mm at 0 mm to 70.00 mm at 700 mm"},
		{"at_mm,d0_mm,d45_mm,d90_mm,d135_mm\n0,8.6,8.6,8.6,8.6\n700,5.3,5.3,5.3,5.3\n", "at 0, 700 mm the diameters fit an octagon across its flats as well"},
		{"at_mm,height_mm,width_mm,shape\n0,8.6,8.1,round\n700,5.3,5.3,round\n", "said to be round, but it is 8.60 mm high and 8.10 mm wide"},
		{"at_mm,height_mm\n0,8.6\n300,7.4\n500,7.7\n700,5.3\n", "is one"},
	} {
		m, err := ReadModel("m.csv", strings.NewReader(c.text))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(strings.Join(m.Questions, "; "), c.want) {
			t.Errorf("%q: asked %q, want %q", c.text, m.Questions, c.want)
		}
	}
}
