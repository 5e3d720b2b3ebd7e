package measure

import (
	"math"
	"strconv"
	"strings"
)

// Rounded writes a known value and its standard uncertainty to the last digit that the
// uncertainty lets one know: one digit of it, two where the first is a 1 or a
// 2 (JCGM 100:2008, 7.2.6, allows two at most). An exact value has an empty u
// and up to five digits.
func (v Value) Rounded() (x, u string) {
	if v.U == 0 {
		return unsignedZero(strconv.FormatFloat(v.X, 'g', 5, 64)), ""
	}
	place := int(math.Floor(math.Log10(v.U)))
	if v.U/math.Pow10(place) < 2.95 {
		place--
	}
	place = max(place, -9)
	write := func(y float64) string {
		if place > 0 {
			y = math.Round(y/math.Pow10(place)) * math.Pow10(place)
		}
		return unsignedZero(strconv.FormatFloat(y, 'f', max(-place, 0), 64))
	}
	return write(v.X), write(v.U)
}

// Text is the value in words: "231 ± 6", "96.2 ± 0.8 %", or why it is not known.
func (v Value) Text(unit string) string {
	if !v.known {
		return "not known" + prefixed(": ", v.Why)
	}
	x, u := v.Rounded()
	return x + prefixed(" ± ", u) + prefixed(" ", unit)
}

func prefixed(prefix, s string) string {
	if s == "" {
		return ""
	}
	return prefix + s
}

// unsignedZero takes the sign from a number whose every digit is 0.
func unsignedZero(s string) string {
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}
