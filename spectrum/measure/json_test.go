package measure_test

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ringstock/spectrum/measure"
)

type Common struct {
	C measure.Value `json:"c" u:"-"`
}

type sample struct {
	Common
	A    measure.Value `json:"a"`
	B    measure.Value `json:"b_pct" u:"b_u_pct"`
	Name string        `json:"name"`
	List []int         `json:"list"`
}

func (s sample) MarshalJSON() ([]byte, error)  { return measure.Marshal(s) }
func (s *sample) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, s) }

func TestFlatJSON(t *testing.T) {
	a := measure.Of(1.5, 0.25)
	a.Budget = []measure.Part{{Name: "noise", U: 0.25}}
	in := sample{A: a, B: measure.Unknown("no tap"), Common: Common{C: measure.Of(3, 0)}, Name: "x", List: []int{1}}
	got, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	want := `{"c":3,"a":1.5,"a_u":0.25,"b_pct":null,"b_u_pct":null,"name":"x","list":[1],` +
		`"why":{"b_pct":"no tap"},"budget":{"a":[{"name":"noise","u":0.25}]}}`
	if string(got) != want {
		t.Fatalf("got  %s\nwant %s", got, want)
	}
	var back sample
	if err := json.Unmarshal(got, &back); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(in, back, cmp.AllowUnexported(measure.Value{}, sample{})); d != "" {
		t.Fatal(d)
	}
}
