package grading

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"

	"ringstock/grading/tomlfile"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// Profile holds every limit and weight of a judgement. All of them are settings of the
// maker; the built-in ones are starting values (common practice, no source).
type Profile struct {
	Name     string  `toml:"name" json:"name"`
	About    string  `toml:"about" json:"about"`
	KeepMark float64 `toml:"keep_mark" json:"keep_mark"` // a blank to keep scores more than this, 0-100
	// Properties holds what is judged, by the keys of the table properties.
	Properties map[string]Criterion `toml:"properties" json:"properties"`
}

// Criterion says how desirable the values of one property are, in the unit that ends the
// property's key: 0 at a limit and beyond, 1 at the target. With one limit everything
// on the target's other side is as good as the target.
type Criterion struct {
	Weight    float64  `toml:"weight" json:"weight"` // 0: shown, not judged
	LimitLow  *float64 `toml:"limit_low" json:"limit_low,omitempty"`
	Target    float64  `toml:"target" json:"target"`
	LimitHigh *float64 `toml:"limit_high" json:"limit_high,omitempty"`
	Shape     float64  `toml:"shape" json:"shape"` // exponent: 1 straight, above 1 only near the target is good
}

// property is something about a blank that a profile can judge.
type property struct {
	key    string
	name   string
	unit   string
	better direction
	of     func(*spectrum.Ring, wood.Values) measure.Value
}

// direction is the way in which a property gets better, where nobody can want the
// contrary.
type direction int

const (
	either direction = iota
	higher
	lower
)

// properties lists all that can be judged, in the order in which it is shown.
var properties = []property{
	{"specific_modulus_mj_kg", "specific modulus", "MJ/kg", higher,
		func(_ *spectrum.Ring, w wood.Values) measure.Value { return w.SpecificModulus }},
	{"density_kg_m3", "density", "kg/m³", either,
		func(_ *spectrum.Ring, w wood.Values) measure.Value { return w.Density }},
	{"youngs_modulus_gpa", "Young's modulus", "GPa", either,
		func(_ *spectrum.Ring, w wood.Values) measure.Value { return w.YoungsModulus }},
	{"q", "sustain Q", "", higher,
		ofRing(func(r *spectrum.Ring) measure.Value { return r.Fundamental.Q })},
	{"purity_pct", "purity", "%", higher,
		ofRing(func(r *spectrum.Ring) measure.Value { return r.PurityPct })},
	{"unevenness_pct", "unevenness", "%", lower,
		ofRing(func(r *spectrum.Ring) measure.Value { return r.UnevennessPct })},
	{"drift_cents", "pitch drift", "cents", either,
		ofRing(func(r *spectrum.Ring) measure.Value { return r.DriftCents })},
	{"loudness_db", "loudness", "dB", either,
		ofRing(func(r *spectrum.Ring) measure.Value { return r.LoudnessDB })},
}

func ofRing(get func(*spectrum.Ring) measure.Value) func(*spectrum.Ring, wood.Values) measure.Value {
	return func(r *spectrum.Ring, _ wood.Values) measure.Value {
		if r == nil {
			return measure.Unknown("no tap on a side of the blank could be used")
		}
		return get(r)
	}
}

//go:embed profiles/*.toml
var profileFiles embed.FS

// Profiles are the names of the built-in profiles.
func Profiles() []string {
	files, err := fs.Glob(profileFiles, "profiles/*.toml")
	if err != nil {
		panic("grading: " + err.Error()) // the pattern is a constant
	}
	var names []string
	for _, f := range files {
		names = append(names, strings.TrimSuffix(strings.TrimPrefix(f, "profiles/"), ".toml"))
	}
	return names
}

// ProfileText is a built-in profile as the text of a file, to start an own one from.
func ProfileText(name string) ([]byte, bool) {
	text, err := profileFiles.ReadFile("profiles/" + name + ".toml")
	return text, err == nil
}

// ParseProfile reads a profile. Keys that it does not know are refused: a limit with a
// misspelt name would otherwise silently not count.
func ParseProfile(text []byte) (Profile, error) {
	var p Profile
	md, err := tomlfile.Decode(text, &p)
	if err != nil {
		var at toml.ParseError
		if errors.As(err, &at) {
			return Profile{}, fmt.Errorf("line %d: %s", at.Position.Line, strings.TrimPrefix(at.Error(), "toml: "))
		}
		return Profile{}, errors.New(strings.TrimPrefix(err.Error(), "toml: "))
	}
	if unknown := md.Undecoded(); len(unknown) > 0 {
		return Profile{}, fmt.Errorf("%s is not a setting: is it misspelt? Known are name, about, keep_mark and, under properties.NAME, weight, limit_low, target, limit_high and shape", unknown[0])
	}
	for _, key := range slices.Sorted(maps.Keys(p.Properties)) {
		for _, needed := range []string{"weight", "target"} {
			if !md.IsDefined("properties", key, needed) {
				return Profile{}, fmt.Errorf("properties.%s.%s is missing", key, needed)
			}
		}
		if !md.IsDefined("properties", key, "shape") {
			c := p.Properties[key]
			c.Shape = 1
			p.Properties[key] = c
		}
	}
	if err := p.check(); err != nil {
		return Profile{}, err
	}
	return p, nil
}

func (p Profile) check() error {
	if strings.TrimSpace(p.Name) == "" {
		return errors.New("name is missing: give the profile a name")
	}
	if !(p.KeepMark >= 0 && p.KeepMark <= 100) {
		return fmt.Errorf("keep_mark = %g: give a score from 0 to 100", p.KeepMark)
	}
	for _, key := range slices.Sorted(maps.Keys(p.Properties)) {
		if !slices.ContainsFunc(properties, func(q property) bool { return q.key == key }) {
			var known []string
			for _, q := range properties {
				known = append(known, q.key)
			}
			return fmt.Errorf("properties.%s is not a property: known are %s", key, strings.Join(known, ", "))
		}
	}
	total := 0.0
	for _, q := range properties {
		c, ok := p.Properties[q.key]
		if !ok {
			continue
		}
		if err := c.check(q.better); err != nil {
			return fmt.Errorf("properties.%s.%w", q.key, err)
		}
		total += c.Weight
	}
	if !(total > 0) {
		return errors.New("properties: no property has a weight above 0, so there is nothing to judge by")
	}
	return nil
}

// check finds what is wrong with a criterion; its error begins with the key.
func (c Criterion) check(better direction) error {
	const most = 1e6 // beyond any sensible number, and safe to calculate with
	switch {
	case !(c.Weight >= 0 && c.Weight <= most):
		return fmt.Errorf("weight = %g: give 0 or more", c.Weight)
	case !(c.Shape >= 0.01 && c.Shape <= 100):
		return fmt.Errorf("shape = %g: give an exponent from 0.01 to 100; 1 is a straight line", c.Shape)
	case !(math.Abs(c.Target) <= most):
		return fmt.Errorf("target = %g: give a number", c.Target)
	case c.LimitLow == nil && c.LimitHigh == nil:
		return errors.New("limit_low or limit_high is missing: give at least one limit")
	case c.LimitLow != nil && !(*c.LimitLow < c.Target && *c.LimitLow >= -most):
		return fmt.Errorf("limit_low = %g: give a number below the target of %g", *c.LimitLow, c.Target)
	case c.LimitHigh != nil && !(*c.LimitHigh > c.Target && *c.LimitHigh <= most):
		return fmt.Errorf("limit_high = %g: give a number above the target of %g", *c.LimitHigh, c.Target)
	case better == higher && c.LimitHigh != nil:
		return errors.New("limit_high can't be used: more is better here; give limit_low")
	case better == lower && c.LimitLow != nil:
		return errors.New("limit_low can't be used: less is better here; give limit_high")
	}
	return nil
}
