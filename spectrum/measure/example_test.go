package measure_test

import (
	"fmt"

	"ringstock/spectrum/measure"
)

// The density of a blank from what scale, rule and calliper say, and what makes
// up its uncertainty.
func ExamplePropagate() {
	density := measure.Propagate(
		func(x []float64) float64 { return x[0] / (x[1] * x[2] * x[3]) },
		[]measure.Input{
			{Name: "mass", X: 0.1365, U: 0.0001},
			{Name: "length", X: 0.750, U: 0.0005},
			{Name: "height", X: 0.0140, U: 0.00005},
			{Name: "width", X: 0.0130, U: 0.00005},
		})
	fmt.Println(density.Text("kg/m³"))
	for _, part := range density.Budget[:2] {
		fmt.Printf("%s: %.1f kg/m³\n", part.Name, part.U)
	}
	// Output:
	// 1000 ± 5 kg/m³
	// width: 3.8 kg/m³
	// height: 3.6 kg/m³
}
