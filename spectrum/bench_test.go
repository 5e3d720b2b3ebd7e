package spectrum

import (
	"syscall"
	"testing"

	"ringstock/capture"
)

func BenchmarkAnalyse(b *testing.B) {
	sc, _ := mixed(3, false)
	rec := sc.Render()
	b.ReportAllocs()
	start := cpuMS()
	for b.Loop() {
		Analyse(capture.FindTaps(rec), SideTap)
	}
	b.ReportMetric((cpuMS()-start)/float64(b.N), "cpu-ms/op")
}

func BenchmarkFindTaps(b *testing.B) {
	sc, _ := mixed(3, false)
	rec := sc.Render()
	b.ReportAllocs()
	start := cpuMS()
	for b.Loop() {
		capture.FindTaps(rec)
	}
	b.ReportMetric((cpuMS()-start)/float64(b.N), "cpu-ms/op")
}

func cpuMS() float64 {
	var u syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return float64(u.Utime.Sec+u.Stime.Sec)*1e3 + float64(u.Utime.Usec+u.Stime.Usec)/1e3
}
