package wood_test

import (
	"fmt"

	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// From readings and a note to density and specific modulus. The ring usually comes
// from spectrum.Analyse.
func ExampleEvaluate() {
	readings := wood.Readings{
		LengthMM: measure.Of(750, 0.5), HeightMM: measure.Of(14, 0.05), WidthMM: measure.Of(13, 0.05), MassG: measure.Of(136.5, 0.1),
		Shape: wood.Rectangular,
	}
	ring := spectrum.Ring{Fundamental: spectrum.Partial{Hz: measure.Of(119.7, 0.02), Family: spectrum.Bending, Order: 1, Plane: 1}}
	values, reasons, _ := wood.Evaluate(readings, "", &ring, nil, nil)
	fmt.Println("density", values.Density.Text("kg/m³"))
	fmt.Println("E/rho", values.SpecificModulus.Text("MJ/kg"), "from", values.SpecificModulusFrom)
	fmt.Println("to measure next:", values.MeasureNext)
	_ = reasons
	// Output:
	// density 1000 ± 6 kg/m³
	// E/rho 22.1 ± 0.5 MJ/kg from bending
	// to measure next: record end taps: specific modulus now ±4.3 %, then ±3 % (95 %)
}
