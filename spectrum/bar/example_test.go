package bar_test

import (
	"fmt"

	"ringstock/spectrum/bar"
)

// The bending notes of an even blank, and of the same blank with the wood of a head
// left on at one end.
func ExampleBar_Modes() {
	wood := bar.Wood{E: 22e9, G: 1.2e9, Density: 1000}
	even := bar.Uniform(0.75, bar.Section{Shape: bar.Rectangular, Height: 0.014, Width: 0.013})
	headed := even
	headed.Masses = []bar.PointMass{{X: 0.74, M: 0.004}}
	for _, b := range []bar.Bar{even, headed} {
		modes, err := b.Modes(bar.BendingHeight, wood, 3)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%.1f %.1f %.1f Hz\n", modes[0].Hz, modes[1].Hz, modes[2].Hz)
	}
	// Output:
	// 119.4 325.5 627.4 Hz
	// 114.2 313.6 607.9 Hz
}
