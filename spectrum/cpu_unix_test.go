//go:build unix

package spectrum_test

import "syscall"

// cpuMS is the processor time of this process, in ms.
func cpuMS() float64 {
	var u syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return float64(u.Utime.Sec+u.Stime.Sec)*1e3 + float64(u.Utime.Usec+u.Stime.Usec)/1e3
}
