package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// A table that a spreadsheet holds alone can't be read: the answer names it and
// says what to close.
func TestTableHeldByAnotherProgram(t *testing.T) {
	folder, err := os.MkdirTemp("", "held") // not t.TempDir, whose end fails under Wine 8: it can't unlink by handle
	if err != nil {
		t.Fatal(err)
	}
	table := filepath.Join(folder, "delivery.csv")
	if err := os.WriteFile(table, []byte("blank,file\nA1,a1.wav\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	name, err := syscall.UTF16PtrFromString(table)
	if err != nil {
		t.Fatal(err)
	}
	held, err := syscall.CreateFile(name, syscall.GENERIC_READ|syscall.GENERIC_WRITE, 0, nil, syscall.OPEN_EXISTING, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		syscall.CloseHandle(held)
		os.Remove(table)
		os.Remove(folder)
	}()
	var out, told strings.Builder
	root := newRoot()
	root.SetOut(&out)
	root.SetErr(&told)
	if code := run(t.Context(), root, []string{"grade", folder}); code != exitFailed {
		t.Errorf("exit code %d; %s%s", code, &out, &told)
	}
	if !strings.Contains(told.String(), "delivery.csv: another program has it open: close it there") {
		t.Errorf("the answer does not say what to close: %s", &told)
	}
}
