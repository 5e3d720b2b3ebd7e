package wood

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"ringstock/capture"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Something is what may be at one place of a blank.
type Something string

// What the modes can tell apart.
const (
	Heavy Something = "heavy" // more mass than elsewhere
	Soft  Something = "soft"  // less stiff than elsewhere
)

// Spot is something at one place of a blank that its modes give away: each is moved by as
// much as it bends, or swings, there.
type Spot struct {
	What Something `json:"what"`
	// AtMM is how far it lies from one of the ends. Which one the modes don't tell: they
	// are alike from both.
	AtMM measure.Value `json:"at_mm" u:"at_u_mm"`
	// SharePct is how much: of the blank's mass, or of its length's worth of compliance.
	SharePct measure.Value `json:"share_pct" u:"share_u_pct"`
}

func (l Spot) MarshalJSON() ([]byte, error)  { return measure.Marshal(l) }
func (l *Spot) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, l) }

const (
	placeSteps  = 50    // over half the length
	placeNeeds  = 5     // notes: the modulus, G, a place, an amount, and one to tell that it is so
	placeSure   = 2.0   // ln of how much likelier the notes must be with it than in any uneven wood
	placeSharp  = 0.08  // of the length: where its place is known less well it is none
	heavyUsual  = 0.03  // sd of its share of the mass, before
	softUsual   = 0.012 // and of compliance: 30 % less stiff over 20 mm of 750
	secondOrder = 0.03  // the mass share for which the shape of a lump's effect is computed
)

var placeUneven = []float64{0.0025, 0.005, 0.01} // how uneven the rest may be

// effect is what one unit of something at x (0 to 1) does to ln f of a mode.
func (s Something) effect(p bar.Place, x float64) float64 {
	strain, kinetic := p.Energies(x)
	if s == Heavy {
		return -math.Log1p(secondOrder*kinetic) / 2 / secondOrder
	}
	return -strain / 2
}

// place is where something may be: x from 0 to 1, how much of it there is, and how likely
// that is (a logarithm).
type place struct{ x, share, sd, log float64 }

// locate tells where something is, if the notes are far likelier with it than in wood
// that varies here and there.
func (m model) locate(notes []note, planes float64) *Spot {
	if len(notes) < placeNeeds {
		return nil
	}
	e := m.evidenceOf(notes, planes)
	nowhere := make([]float64, len(unevenSteps))
	for i, u := range unevenSteps {
		nowhere[i] = e.log(u) + math.Log(unevenPrior[i])
	}
	places := map[Something][]place{}
	var all []float64
	for _, u := range placeUneven {
		chol, ok := e.factored(u)
		base := e.log(u)
		if !ok || math.IsInf(base, 0) {
			continue
		}
		for what, usual := range map[Something]float64{Heavy: heavyUsual, Soft: softUsual} {
			for k := range placeSteps {
				x := (float64(k) + 0.5) / placeSteps / 2
				c, solved := mat.NewVecDense(len(notes), nil), new(mat.VecDense)
				for i, n := range notes {
					c.SetVec(i, what.effect(n.at(), x))
				}
				if chol.SolveVecTo(solved, c) != nil {
					continue
				}
				a, b := mat.Dot(solved, e.r), mat.Dot(solved, c)
				precision := b + 1/(usual*usual)
				p := place{x: x, share: a / precision, sd: 1 / math.Sqrt(precision)}
				// It can only be more mass, or less stiffness.
				positive := 2 * distuv.UnitNormal.CDF(p.share/p.sd)
				p.log = base + a*a/precision/2 - math.Log(usual*usual*precision)/2 + math.Log(max(positive, 1e-300)) -
					math.Log(2*placeSteps*float64(len(placeUneven)))
				places[what] = append(places[what], p)
				all = append(all, p.log)
			}
		}
	}
	if len(all) == 0 || logSum(all)-logSum(nowhere) < placeSure {
		return nil
	}
	best := m.likeliest(places)
	if best.AtMM.U > placeSharp*m.blank.size[length]*1000 {
		return nil
	}
	return &best
}

// likeliest is what the thing most likely is, and where: the mean over all its places.
func (m model) likeliest(places map[Something][]place) (best Spot) {
	most := math.Inf(-1)
	for what, list := range places {
		var logs []float64
		for _, p := range list {
			logs = append(logs, p.log)
		}
		total := logSum(logs)
		if total <= most {
			continue
		}
		most = total
		var x, xx, share, square float64
		for _, p := range list {
			w := math.Exp(p.log - total)
			x, xx, share, square = x+w*p.x, xx+w*p.x*p.x, share+w*p.share, square+w*(p.share*p.share+p.sd*p.sd)
		}
		l := m.blank.size[length] * 1000
		// The raster's step, and that a real thing has some extent.
		spread := math.Hypot(math.Sqrt(max(xx-x*x, 0)), 0.5/placeSteps)
		best = Spot{What: what, AtMM: measure.Of(x*l, spread*l), SharePct: measure.Of(100*share, 100*math.Sqrt(max(square-share*share, 0)))}
	}
	return best
}

// logSum is ln of the sum of exp.
func logSum(x []float64) float64 {
	most := math.Inf(-1)
	for _, v := range x {
		most = max(most, v)
	}
	sum := 0.0
	for _, v := range x {
		sum += math.Exp(v - most)
	}
	return most + math.Log(sum)
}

// warning tells a maker where to look.
func (l Spot) warning() capture.Warning {
	at := fmt.Sprintf("about %.0f ± %.0f mm from one end or from the other", l.AtMM.X, l.AtMM.U)
	text := fmt.Sprintf("it seems to be less stiff %s: look there for a crack, a knot or a thin place", at)
	if l.What == Heavy {
		text = fmt.Sprintf("it seems to carry more mass %s, some %.1f %% of its own: look there for something stuck on, a dense streak or a thick place", at, l.SharePct.X)
	}
	return capture.Warning{Code: Local, Text: text}
}
