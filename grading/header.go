package grading

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// columnWords are words by which people call what a column holds, besides its name:
// English, German, French, Italian, Spanish, written without accents.
var columnWords = map[string][]string{
	"blank":          {"number", "no", "nr", "stick", "piece", "id", "nummer", "rohling", "stab", "numero", "baguette", "ebauche", "bacchetta", "pezzo", "vara", "pieza"},
	"file":           {"recording", "sound", "wav", "aufnahme", "datei", "ton", "fichier", "enregistrement", "registrazione", "archivo", "grabacion"},
	"width_file":     {"width recording", "other face", "breite aufnahme"},
	"end_file":       {"end recording", "end tap", "end grain", "hirnholz", "stirnholz"},
	"length_mm":      {"length", "len", "long", "laenge", "lange", "longueur", "lunghezza", "longitud", "largo"},
	"height_mm":      {"height", "depth", "thickness", "hoehe", "hohe", "dicke", "staerke", "starke", "hauteur", "epaisseur", "altezza", "spessore", "altura", "alto", "espesor", "grosor"},
	"width_mm":       {"width", "breadth", "breite", "largeur", "larghezza", "anchura", "ancho"},
	"mass_g":         {"mass", "weight", "masse", "gewicht", "poids", "massa", "peso", "masa"},
	"shape":          {"section", "form", "querschnitt", "forme", "forma", "sezione", "seccion"},
	"moisture_pct":   {"moisture", "mc", "wood moisture", "holzfeuchte", "humidite du bois", "umidita del legno", "humedad de la madera"},
	"temperature_c":  {"temperature", "temp", "temperatur", "temperatura"},
	"humidity_pct":   {"humidity", "rh", "air humidity", "luftfeuchte", "luftfeuchtigkeit", "feuchte", "humidite", "umidita", "humedad"},
	"head_length_mm": {"head length", "kopflange", "kopflaenge", "longueur de tete", "longueur tete", "lunghezza testa", "longitud cabeza"},
	"head_height_mm": {"head height", "head", "kopfhohe", "kopfhoehe", "hauteur de tete", "hauteur tete", "altezza testa", "altura cabeza"},
	"tip_height_mm":  {"tip height", "tip", "thin end"},
	"tip_width_mm":   {"tip width"},
	"species":        {"wood", "holz", "holzart", "art", "essence", "espece", "bois", "specie", "legno", "especie", "madera"},
	"price":          {"cost", "preis", "prix", "prezzo", "precio"},
	"currency":       {"wahrung", "waehrung", "devise", "monnaie", "valuta", "moneda"},
	"supplier":       {"dealer", "seller", "lieferant", "handler", "haendler", "fournisseur", "fornitore", "proveedor"},
	"lot":            {"batch", "los", "partie", "lotto", "lote"},
	"maker_grade":    {"grade", "klasse", "note maker", "qualite", "qualita", "calidad"},
	"note":           {"notes", "remark", "remarks", "comment", "bemerkung", "notiz", "remarque", "nota"},
}

// knownColumns lists the columns that the program reads.
func knownColumns() (list []string) {
	list = []string{"blank", "file", "width_file", "end_file", "shape", "price"}
	for _, q := range readings {
		list = append(list, q.column)
		if q.uColumn != "" && !slices.Contains(list, q.uColumn) {
			list = append(list, q.uColumn)
		}
	}
	for w := range words {
		list = append(list, w)
	}
	slices.Sort(list)
	return list
}

var (
	bracketed  = regexp.MustCompile(`[(\[{][^)\]}]*[)\]}]`)
	unitEnding = regexp.MustCompile(` (in )?(mm|cm|m|g|gr|gram|grams|kg|oz|inch|in|pct|percent|c|f)$`)
)

// plainHeader is a header in small letters without accents, brackets,
// punctuation and units.
func plainHeader(h string) string {
	h = bracketed.ReplaceAllString(strings.ToLower(h), " ")
	h = strings.NewReplacer("ä", "a", "ö", "o", "ü", "u", "ß", "ss", "à", "a", "á", "a", "â", "a", "è", "e", "é", "e", "ê", "e",
		"ì", "i", "í", "i", "ò", "o", "ó", "o", "ô", "o", "ù", "u", "ú", "u", "ñ", "n", "ç", "c", "%", " ", "°", " ").Replace(h)
	h = strings.Join(strings.FieldsFunc(h, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }), " ")
	for {
		shorter := unitEnding.ReplaceAllString(h, "")
		if shorter == h {
			return h
		}
		h = shorter
	}
}

// suggest finds the column that a header probably means; "" if none is near. A slip of a
// letter or two is near, and so is a word for the same thing in one of five languages.
func suggest(header string) string {
	plain, whole := plainHeader(header), strings.ToLower(strings.ReplaceAll(header, "_", " "))
	if plain == "" {
		return ""
	}
	best, bestOff := "", 1000
	try := func(column, name string) {
		off := min(editDistance(plain, name), editDistance(whole, name))
		allowed := 0 // short words are near to too many others
		switch n := len([]rune(name)); {
		case n >= 8:
			allowed = 2
		case n >= 6:
			allowed = 1
		}
		if off <= allowed && off < bestOff {
			best, bestOff = column, off
		}
	}
	for _, column := range knownColumns() {
		full := strings.ReplaceAll(column, "_", " ")
		try(column, full)
		try(column, plainHeader(full))
		for _, w := range columnWords[column] {
			try(column, w)
		}
	}
	return best
}

// headerNotes tells of columns that are kept as notes but look like ones
// that would be read.
func headerNotes(header []string) (notes []string) {
	for i, h := range header {
		if h == "" || known(strings.ToLower(h)) {
			continue
		}
		column := suggest(h)
		if column == "" {
			continue
		}
		if slices.ContainsFunc(header, func(other string) bool { return strings.EqualFold(other, column) }) {
			continue // the column is there; this one is something else
		}
		notes = append(notes, fmt.Sprintf("row 1, column %d: %q is kept as a note and not read: did you mean %s? Then write that into the header", i+1, h, column))
	}
	return notes
}

// editDistance is the number of letters to insert, delete, change, or swap with their
// neighbour to get from one word to another (Damerau, Comm. ACM 7 (1964) 171, in the
// restricted form, from memory).
func editDistance(a, b string) int {
	x, y := []rune(a), []rune(b)
	if d := len(x) - len(y); d > 3 || d < -3 {
		return max(d, -d)
	}
	row := func(n int) []int { return make([]int, n+1) }
	before, last, now := row(len(y)), row(len(y)), row(len(y))
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(x); i++ {
		now[0] = i
		for j := 1; j <= len(y); j++ {
			change := last[j-1]
			if x[i-1] != y[j-1] {
				change++
			}
			now[j] = min(last[j]+1, now[j-1]+1, change)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				now[j] = min(now[j], before[j-2]+1)
			}
		}
		before, last, now = last, now, before
	}
	return last[len(y)]
}

// Nearest is the word of a list that a misspelt one probably means; "" if none is near.
func Nearest(word string, list []string) string {
	off := func(w string) int { return editDistance(strings.ToLower(word), w) }
	if len(list) == 0 {
		return ""
	}
	best := slices.MinFunc(list, func(a, b string) int { return cmp.Compare(off(a), off(b)) })
	if off(best) <= 2 {
		return best
	}
	return ""
}
