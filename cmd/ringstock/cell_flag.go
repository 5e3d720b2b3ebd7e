package main

import (
	"fmt"

	"ringstock/grading"
)

// cellFlag is a flag that holds what a column of the table holds, read and
// checked the same way.
type cellFlag struct {
	column string
	cell   grading.Cell
}

func (f *cellFlag) String() string { return f.cell.Text }
func (f *cellFlag) Type() string   { return "number" }

func (f *cellFlag) Set(typed string) error {
	c, err := grading.ParseCell(f.column, typed)
	if err != nil {
		return err
	}
	if !c.HasNumber() {
		return fmt.Errorf("it is empty: give a number, or leave the flag out")
	}
	f.cell = c
	return nil
}

// number is what was given, or nil.
func (f *cellFlag) number() *float64 {
	if !f.cell.HasNumber() {
		return nil
	}
	x := f.cell.Number
	return &x
}
