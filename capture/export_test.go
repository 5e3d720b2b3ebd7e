package capture

import (
	"math"
	"reflect"
)

// Kept is the number of samples in a listener's memory.
func (l *Listener) Kept() int { return cap(l.buf) }

// Limits are the thresholds of the search for taps, by stage and name.
func Limits() map[string]*float64 {
	out := map[string]*float64{}
	for stage, table := range map[string]any{"onset": &onsetLimits, "change": &changeLimits, "blow": &blowLimits, "clip": &clipLimits, "tap": &tapLimits} {
		v := reflect.ValueOf(table).Elem()
		for i := range v.NumField() {
			out[stage+"."+v.Type().Field(i).Name] = v.Field(i).Addr().Interface().(*float64)
		}
	}
	return out
}

// CountsChanged makes what was derived from the thresholds anew.
func CountsChanged() { counts = math.Pow(10, onsetLimits.CountDB/10) }
