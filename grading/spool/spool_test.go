package spool

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"sync"
	"testing"

	"ringstock/spectrum/measure"
)

type thing struct {
	Name          string
	Value         measure.Value
	None, Empty   []string
	Notes         map[string]string
	Free, Unknown *float64
	Curve         []struct{ X, Y float64 }
	Heat          [][]float32
}

func awkward() thing {
	zero := 0.0
	v := measure.FromParts(1.0/3, []measure.Part{{Name: "height", U: 0.1}, {Name: "pitch", U: 1e-17}})
	return thing{
		Name: "not UTF-8: \xff\xfe", Value: v, Empty: []string{}, Notes: map[string]string{"a": "\x00"}, Free: &zero,
		Curve: []struct{ X, Y float64 }{{math.Inf(1), -0.1}, {math.Copysign(0, -1), 5e-324}},
		Heat:  [][]float32{nil, {}, {1, float32(math.Inf(-1))}},
	}
}

// files lists what lies in a folder.
func files(t *testing.T, dir string) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestSpool(t *testing.T) {
	dir := t.TempDir()
	s := New(dir)
	var wait sync.WaitGroup
	const n = 300
	places := make([]Place, n)
	large := make([][]float64, n)
	for i := range n {
		large[i] = make([]float64, 1000+i)
		large[i][i] = float64(i)
		wait.Go(func() {
			var err error
			if places[i], err = s.Put(large[i]); err != nil {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	small, err := s.Put(awkward())
	if err != nil {
		t.Fatal(err)
	}
	if s.file == nil {
		t.Fatal("2 MB are in memory")
	}
	if left := files(t, dir); len(left) > 0 && runtime.GOOS != "windows" {
		t.Errorf("a kill would leave %v", left)
	}
	for i := range n {
		var got []float64
		if err := s.Get(places[i], &got); err != nil || !reflect.DeepEqual(got, large[i]) {
			t.Fatalf("list %d: %v", i, err)
		}
	}
	var got thing
	if err := s.Get(small, &got); err != nil || !reflect.DeepEqual(got, awkward()) {
		t.Errorf("%v\n%#v\nbecame\n%#v", err, awkward(), got)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if left := files(t, dir); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// What is little needs no file, hence no folder for one.
func TestLittle(t *testing.T) {
	s := New(filepath.Join(t.TempDir(), "missing"))
	p, err := s.Put(awkward())
	if err != nil {
		t.Fatal(err)
	}
	var got thing
	if err := s.Get(p, &got); err != nil || !reflect.DeepEqual(got, awkward()) {
		t.Errorf("%v, %#v", err, got)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func TestNoRoom(t *testing.T) {
	complains := func(s *Spool, where string) {
		t.Helper()
		_, err := s.Put(make([]byte, inMemory))
		if err == nil || !strings.Contains(err.Error(), where) || !strings.Contains(err.Error(), "TMPDIR") {
			t.Errorf("the error does not say what to do: %v", err)
		}
	}
	missing := filepath.Join(t.TempDir(), "missing")
	complains(New(missing), missing)
	full, err := os.OpenFile("/dev/full", os.O_RDWR, 0)
	if err != nil {
		t.Skip("no /dev/full to stand for a full disk")
	}
	defer full.Close()
	s := New(t.TempDir())
	s.file = full
	complains(s, full.Name())
}
