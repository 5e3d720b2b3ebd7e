package grading

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ringstock/capture"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// standing is where a value lies against the limits of its criterion.
type standing int

const (
	passes standing = iota // every limit, with 95 % confidence
	unsure                 // on the right side, but not with that confidence
	fails                  // at a limit or beyond it
)

// confident is how many standard uncertainties from a limit leave 95 % on its
// right side: the quantile of the normal distribution, one-sided, because to pass
// is to be on one side.
const confident = 1.645

// stand compares a known value with the limits, and returns the nearest one with
// whether it is the lower.
func (c Criterion) stand(v measure.Value) (s standing, limit float64, isLower bool) {
	margin := math.Inf(1)
	if c.LimitLow != nil {
		margin, limit, isLower = v.X-*c.LimitLow, *c.LimitLow, true
	}
	if c.LimitHigh != nil && *c.LimitHigh-v.X < margin {
		margin, limit, isLower = *c.LimitHigh-v.X, *c.LimitHigh, false
	}
	switch {
	case margin <= 0:
		return fails, limit, isLower
	case margin <= confident*v.U:
		return unsure, limit, isLower
	}
	return passes, limit, isLower
}

// doubts are the codes of warnings under which no blank is kept.
var doubts = map[string]bool{wood.Implausible: true, spectrum.Altered: true}

// decide says what to do with a blank, and why.
func decide(p Profile, parts []Part, score measure.Value, w wood.Values, suspects []Suspect, warnings []capture.Warning, ring *spectrum.Ring) (Verdict, []string) {
	var failed, open, passed []string
	for _, s := range suspects {
		open = append(open, s.Text())
	}
	var weakest Part
	for _, part := range parts {
		if part.Weight == 0 {
			continue
		}
		text := part.Name + " " + part.Value.Text(part.Unit)
		if !part.Value.Known() {
			if strings.HasPrefix(part.Value.Why, "no "+part.Name) { // it says so itself
				text = part.Value.Why
			}
			open = append(open, text)
			continue
		}
		if len(inDoubt(part.Key, w, suspects)) > 0 { // the suspect entry is a reason of its own
			continue
		}
		if weakest.Weight == 0 || part.Desirability.X < weakest.Desirability.X {
			weakest = part
		}
		s, at, isLower := p.Properties[part.Key].stand(part.Value)
		limit := "the limit of " + measure.Of(at, 0).Text(part.Unit)
		switch s {
		case fails:
			side := " is above "
			if isLower {
				side = " is below "
			}
			text += side + limit
			if math.Abs(part.Value.X-at) < confident*part.Value.U {
				text += ", though within its uncertainty: tap and measure again before you give it up"
			}
			failed = append(failed, text+cause(part, ring))
		case unsure:
			open = append(open, text+" passes "+limit+", but not with 95 % confidence"+cause(part, ring))
		case passes:
			passed = append(passed, text+" passes "+limit)
		}
	}
	if len(failed) > 0 {
		return Leave, append(failed, open[:len(suspects)]...)
	}
	for _, w := range warnings {
		if doubts[w.Code] {
			open = append(open, w.Text)
		}
	}
	mark := measure.Of(p.KeepMark, 0).Text("")
	if score.Known() && score.X <= p.KeepMark {
		open = append(open, fmt.Sprintf("the score %s is not over the mark of %s; weakest is %s %s",
			score.Text(""), mark, weakest.Name, weakest.Value.Text(weakest.Unit)))
	}
	if len(open) > 0 {
		return Maybe, open
	}
	return Keep, append([]string{fmt.Sprintf("the score %s is over the mark of %s, and every limit is passed with 95 %% confidence", score.Text(""), mark)}, passed...)
}

// weighs tells whether density alone makes a blank go back, E with it perhaps.
func (b Blank) weighs(p Profile) (alone bool) {
	if b.Verdict != Leave {
		return false
	}
	for _, part := range b.Parts {
		if part.Weight == 0 || !part.Value.Known() {
			continue
		}
		if s, _, _ := p.Properties[part.Key].stand(part.Value); s == fails {
			switch part.Key {
			case "density_kg_m3":
				alone = true
			case "youngs_modulus_gpa":
			default:
				return false
			}
		}
	}
	return alone
}

// cause is what in the ring explains a poor part, if something does.
func cause(part Part, ring *spectrum.Ring) string {
	switch {
	case ring == nil:
	case part.Key == "purity_pct" && len(ring.Stray) > 0:
		var notes []string
		for _, s := range ring.Stray {
			notes = append(notes, fmt.Sprintf("%.1f Hz (%+.0f dB)", s.Hz, s.LevelDB))
		}
		return "; foreign notes sound along: " + strings.Join(notes, ", ")
	case part.Key == "unevenness_pct" && ring.Beat != nil:
		return fmt.Sprintf("; two notes %.2f Hz apart beat", ring.Beat.Hz)
	}
	return ""
}

// Obstacles says in a few words each what keeps a blank from being kept: for a table,
// where whole reasons have no room.
func (b Blank) Obstacles(p Profile) (list []string) {
	if b.Verdict == Unread {
		return []string{"not heard"}
	}
	say := func(text string) {
		if !slices.Contains(list, text) {
			list = append(list, text)
		}
	}
	judged := 0
	for _, part := range b.Parts {
		c := p.Properties[part.Key]
		switch {
		case part.Weight == 0:
			continue
		case len(inDoubt(part.Key, b.Wood, b.Suspect)) > 0:
			continue // asked back
		case !part.Value.Known():
			say("no " + part.Name)
			continue
		}
		judged++
		switch s, limit, isLower := c.stand(part.Value); {
		case s == fails && isLower:
			say(fmt.Sprintf("%s below %g", part.Name, limit))
		case s == fails:
			say(fmt.Sprintf("%s above %g", part.Name, limit))
		case s == unsure:
			say(fmt.Sprintf("%s too near to %g", part.Name, limit))
		}
	}
	if b.Verdict == Maybe && judged > 0 && b.Score.X <= p.KeepMark {
		say(fmt.Sprintf("score not over %g", p.KeepMark))
	}
	for _, w := range b.Warnings {
		if b.Verdict == Maybe && doubts[w.Code] && len(b.Suspect) == 0 {
			say("in doubt, see --details")
		}
	}
	return list
}
