package dsp

import (
	"math/rand/v2"
	"slices"
	"testing"
)

func TestNthElement(t *testing.T) {
	rng := rand.New(rand.NewPCG(93001, 0))
	for n := 1; n < 60; n++ {
		x := make([]int, n)
		for i := range x {
			x[i] = rng.IntN(n) // some are equal
		}
		k := rng.IntN(n)
		if got, want := NthElement(x, k), slices.Sorted(slices.Values(x))[k]; got != want || slices.Max(x[:k+1]) != got || slices.Min(x[k:]) != got {
			t.Fatalf("place %d of %d: %d, not %d: %v", k, n, got, want, x)
		}
	}
}
