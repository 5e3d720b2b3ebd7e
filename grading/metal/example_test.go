package metal_test

import (
	"fmt"

	"ringstock/grading/metal"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// A steel rod proves a rig: its note, size and mass must give the modulus
// that handbooks state.
func ExampleMetal_Judge() {
	steel, err := metal.Find("steel")
	if err != nil {
		fmt.Println(err)
		return
	}
	rod := metal.Bar{
		Shape: bar.Round, Length: measure.Of(0.400, 0.0005), Height: measure.Of(0.010, 0.00005), Width: measure.Of(0.010, 0.00005),
		Mass: measure.Of(0.2466, 0.0001),
	}
	result, err := steel.Measure(rod, measure.Of(287.8, 0.05))
	if err != nil {
		fmt.Println(err)
		return
	}
	sound, text := steel.Judge(rod, result)
	fmt.Println(sound)
	fmt.Println(text)
	// Output:
	// true
	// the bar is steel as the handbooks have it: the way from tap to modulus can be trusted
}
