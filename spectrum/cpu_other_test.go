//go:build !unix

package spectrum_test

import "time"

var began = time.Now()

// cpuMS stands in for processor time where it can't be had simply.
func cpuMS() float64 { return float64(time.Since(began).Microseconds()) / 1e3 }
