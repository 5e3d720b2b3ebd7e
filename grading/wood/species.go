package wood

import (
	_ "embed"
	"encoding/csv"
	"strconv"
	"strings"
	"sync"
)

// The table of species: windows from the literature, each with its source in the table.
// They tell a slip of the pen from wood; they are no pass marks.
//
//go:embed species.csv
var speciesTable string

// window is what the literature lets expect of a species near 12 % moisture.
type window struct {
	names              []string
	densityLow, dense  float64 // kg/m3
	modulusLow, strong float64 // Pa
	source             string
}

var speciesWindows = sync.OnceValue(func() (list []window) {
	rows, err := csv.NewReader(strings.NewReader(speciesTable)).ReadAll()
	if err != nil {
		panic("wood: species.csv: " + err.Error())
	}
	for _, row := range rows[1:] {
		var x [4]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(row[1+i], 64); err != nil {
				panic("wood: species.csv: " + err.Error())
			}
		}
		list = append(list, window{strings.Split(row[0], "|"), x[0], x[1], x[2] * 1e9, x[3] * 1e9, row[5]})
	}
	return list
})

// anyWood is what no dry wood leaves (from memory): from balsa to lignum vitae, cell wall
// itself being 1500 kg/m3.
var anyWood = window{densityLow: 100, dense: 1450, modulusLow: 1e9, strong: 40e9, source: "any dry wood, from memory"}

// windowFor finds the species by any of its names in what the maker wrote.
func windowFor(species string) (w window, found bool) {
	written := strings.ToLower(species)
	for _, w := range speciesWindows() {
		for _, name := range w.names {
			if strings.Contains(" "+written, " "+name) {
				return w, true
			}
		}
	}
	return anyWood, false
}
