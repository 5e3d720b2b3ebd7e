package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"ringstock/grading/report"
)

const reportName = "report.html"

// writeOut writes report, ranking and document of a graded delivery folder into dir.
func writeOut(dir string, page report.Page, folder string) error {
	dialect, err := tableDialect(folder)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return fmt.Errorf("the folder for the report can't be made: %w", err)
	}
	for _, f := range []struct {
		name  string
		write func(io.Writer) error
	}{
		{reportName, func(w io.Writer) error { return report.Write(w, page) }},
		{"ranking.csv", func(w io.Writer) error { return page.Grading.WriteCSV(w, dialect) }},
		{"grading.json", page.Grading.WriteJSON},
	} {
		if err := writeFile(filepath.Join(dir, f.name), f.write); err != nil {
			return err
		}
	}
	return nil
}

// writeFile writes a file that appears under its name only when it is whole.
func writeFile(path string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part")
	if err != nil {
		return fmt.Errorf("%s can't be written: %w", path, err)
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
			err = fmt.Errorf("%s can't be written: %w", path, err)
		}
	}()
	w := bufio.NewWriter(f)
	if err := write(w); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if err := f.Chmod(0o644); err != nil { // CreateTemp keeps others out
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
