package stick

import (
	"fmt"
	"strings"
)

// Says is the answer of a plan in sentences: which blanks, how thick, how heavy, whether
// there is wood enough. Thickness is the height of the section.
func (p Plan) Says() []string {
	n := p.Fitting()
	if n == 0 {
		return []string{fmt.Sprintf("None of %s fits%s.", blanks(len(p.Candidates)), p.whyNone())}
	}
	best := p.Candidates[0]
	aim := "mass"
	if p.Target.Match == MatchMass {
		aim = "stiffness"
	}
	fit := "fit"
	if n == 1 {
		fit = "fits"
	}
	first := fmt.Sprintf("%d of %s %s. Nearest to the wished %s: %s", n, blanks(len(p.Candidates)), fit, aim, best.Blank)
	switch {
	case best.RankHigh == n && n > 1:
		first += "; all places are open"
	case best.RankHigh > 1:
		first += fmt.Sprintf("; places 1 to %d are open", best.RankHigh)
	}
	return []string{
		first + ".",
		fmt.Sprintf("%s: %.2f mm at the butt, %.2f in the middle, %.2f at the head; %s.",
			best.Blank, best.ButtMM.X, best.MiddleMM.X, best.HeadEndMM.X, best.MassG.Text("g")),
		best.enough(),
	}
}

// enough tells of the wood to spare where it is least.
func (c Candidate) enough() string {
	enough := "Wood enough"
	if c.MarginMM.X < 2*c.MarginMM.U {
		enough = "Wood just enough, within the uncertainty perhaps not"
	}
	return fmt.Sprintf("%s: %s to spare where it is least, at %.4g mm from the butt.", enough, c.MarginMM.Text("mm"), c.MarginAtMM.X)
}

func blanks(n int) string {
	if n == 1 {
		return "1 blank"
	}
	return fmt.Sprintf("%d blanks", n)
}

// whyNone counts what keeps the candidates from fitting, each by its first lack.
func (p Plan) whyNone() string {
	count := map[Lack]int{}
	for _, c := range p.Candidates {
		if len(c.Lacks) > 0 {
			count[c.Lacks[0]]++
		}
	}
	var list []string
	for _, w := range lackWords {
		if n := count[w.lack]; n > 0 {
			list = append(list, fmt.Sprintf("%d %s", n, w.says))
		}
	}
	if len(list) == 0 {
		return ""
	}
	return ": " + strings.Join(list, ", ")
}
