package grading

import (
	"slices"
	"strings"
	"testing"
)

func TestBuiltInProfiles(t *testing.T) {
	if got, want := Profiles(), []string{"bass", "cello", "viola", "violin"}; !slices.Equal(got, want) {
		t.Fatalf("%q, want %q", got, want)
	}
	for _, name := range Profiles() {
		text, ok := ProfileText(name)
		if !ok {
			t.Fatal(name)
		}
		p, err := ParseProfile(text)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if p.Name != name || !strings.Contains(p.About, "common practice, no source") {
			t.Errorf("%s: %q, %q", name, p.Name, p.About)
		}
		for _, q := range properties {
			if _, ok := p.Properties[q.key]; !ok {
				t.Errorf("%s does not mention %s", name, q.key)
			}
		}
		if p.Properties["loudness_db"].Weight != 0 {
			t.Errorf("%s: loudness is comparable within one session only, so it must not count", name)
		}
	}
	if _, ok := ProfileText("../profile"); ok {
		t.Error("a name leads out of the profiles")
	}
}

func TestParseProfileRefuses(t *testing.T) {
	const good = "name = 'x'\nkeep_mark = 50\n[properties.q]\nweight = 1\nlimit_low = 100\ntarget = 200\n"
	if p, err := ParseProfile([]byte(good)); err != nil || p.Properties["q"].Shape != 1 {
		t.Fatalf("%+v, %v", p, err)
	}
	for name, c := range map[string]struct{ old, new, want string }{
		"misspelt key":     {"limit_low", "limt_low", "properties.q.limt_low is not a setting"},
		"unknown at top":   {"keep_mark", "keepmark", "keepmark is not a setting"},
		"unknown property": {"properties.q", "properties.Q", "properties.Q is not a property: known are specific_modulus_mj_kg"},
		"no target":        {"target = 200\n", "", "properties.q.target is missing"},
		"no weight":        {"weight = 1\n", "", "properties.q.weight is missing"},
		"no limit":         {"limit_low = 100\n", "", "properties.q.limit_low or limit_high is missing"},
		"text for number":  {"100", "'100'", "properties.q.limit_low"},
		"not a number":     {"target = 200", "target = nan", "properties.q.target = NaN"},
		"infinite":         {"target = 200", "target = inf", "properties.q.target = +Inf"},
		"wrong way":        {"limit_low = 100", "limit_high = 300", "properties.q.limit_high can't be used: more is better here"},
		"beyond target":    {"limit_low = 100", "limit_low = 300", "properties.q.limit_low = 300: give a number below the target of 200"},
		"negative weight":  {"weight = 1", "weight = -1", "properties.q.weight = -1"},
		"no weight at all": {"weight = 1", "weight = 0", "nothing to judge by"},
		"bad shape":        {"target = 200", "target = 200\nshape = 0", "properties.q.shape = 0"},
		"bad mark":         {"keep_mark = 50", "keep_mark = 101", "keep_mark = 101"},
		"no name":          {"name = 'x'\n", "", "name is missing"},
		"syntax":           {"keep_mark = 50", "keep_mark 50", "line 2"},
		"doubled":          {"weight = 1", "weight = 1\nweight = 2", "line 5"},
	} {
		text := strings.Replace(good, c.old, c.new, 1)
		if p, err := ParseProfile([]byte(text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %+v, %v; want %q", name, p, err, c.want)
		}
	}
}

func FuzzProfile(f *testing.F) {
	for _, name := range Profiles() {
		text, _ := ProfileText(name)
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := ParseProfile(text)
		if err != nil {
			return
		}
		for key, c := range p.Properties {
			for _, y := range []float64{-1e300, -1, 0, c.Target, 1, 1e300} {
				if d := c.Desirability(y); !(d >= 0 && d <= 1) {
					t.Errorf("%s: d(%g) = %g", key, y, d)
				}
			}
			if d := c.Desirability(c.Target); d != 1 {
				t.Errorf("%s: the target has desirability %g", key, d)
			}
		}
	})
}
