package stick_test

import (
	"fmt"
	"strings"

	"ringstock/grading/stick"
)

// A card, as a maker writes it, gives mass, balance and the sag under a test weight.
func ExampleReadModel() {
	text, _ := stick.CardText(stick.Cards()[0])
	model, err := stick.ReadModel("invented.toml", strings.NewReader(string(text)))
	if err != nil {
		fmt.Println(err)
		return
	}
	sheet, _, err := model.Sheet(model.MidSpan(600, 500))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("mass", sheet.MassG.Text("g"))
	fmt.Println("balance", sheet.CentreOfMassMM.Text("mm from the butt"))
	fmt.Println("sag", sheet.SagMM.Text("mm"))
	// Output:
	// mass 59.4 ± 0.6 g
	// balance 346.3 ± 0.6 mm from the butt
	// sag 2.25 ± 0.06 mm
}
