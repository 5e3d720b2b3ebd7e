package stock

import "testing"

// No two different facts have the same seal, wherever one text ends and the next begins.
func TestSealsDiffer(t *testing.T) {
	const mark = "s\x00\x00\x00\x00\x00\x00\x00\x00" // what stands before a text without its length
	facts := [][]any{
		{"ab", "c"}, {"a", "bc"}, {"abc", ""}, {"", "abc"}, {"abc"},
		{"a", "b" + mark + "c"}, {"a" + mark + "b", "c"},
		{int64(1)}, {1.0}, {"1"}, {[]byte("1")}, {nil}, {""}, {nil, nil},
	}
	seen := map[digest]int{}
	for i, f := range facts {
		d := hashValues("event", f...)
		if j, ok := seen[d]; ok {
			t.Errorf("%q and %q have one seal", f, facts[j])
		}
		seen[d] = i
	}
}
