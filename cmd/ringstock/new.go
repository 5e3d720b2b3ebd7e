package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading"
)

func newNew() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "new FOLDER",
		Short: "Begin a delivery: a table with the names of the recordings in it",
		Long: `Writes a delivery.csv into FOLDER, which is made if need be: one row for each blank of which there
is a recording, with the names of its recordings in their columns, and empty cells for what is
to be measured. A012.wav and A012-01.wav are taps on a face of A012, A012-width.wav on the
other face, A012-end.wav on the end. A table that is there already is left alone.

Exit status: 0 done, 1 failed, 2 wrong usage.`,
		Example: `  ringstock new spring-delivery`,
		Args:    takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			blanks, err := beginDelivery(args[0])
			if err != nil {
				return err
			}
			path := filepath.Join(args[0], grading.TableName)
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), struct {
					Table  string   `json:"table"`
					Blanks []string `json:"blanks"`
				}{path, append([]string{}, blanks...)})
			}
			_, err = io.WriteString(cmd.OutOrStdout(), printable(beginText(path, blanks)))
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

// beginDelivery writes the table; the numbers of its blanks come back.
func beginDelivery(folder string) ([]string, error) {
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return nil, fmt.Errorf("the folder can't be made: %w", err)
	}
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		for _, name := range []string{grading.TableName, grading.SpreadsheetName} {
			if strings.EqualFold(e.Name(), name) {
				return nil, hinted{fmt.Errorf("%s is there already, and is left alone", filepath.Join(folder, e.Name())),
					"rank the delivery with: ringstock grade " + folder}
			}
		}
	}
	dialect, err := tableDialect(folder)
	if err != nil {
		return nil, err
	}
	table, err := grading.Begin(entries, dialect)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(folder, grading.TableName)
	if err := writeFile(path, func(w io.Writer) error { _, err := w.Write(table.Text()); return err }); err != nil {
		return nil, err
	}
	return table.Blanks(), nil
}

func beginText(path string, blanks []string) string {
	var out strings.Builder
	if len(blanks) == 0 {
		fmt.Fprintf(&out, "%s has its columns and no blank yet: give each a row, or record some with: ringstock listen %s\n", path, filepath.Dir(path))
	} else {
		fmt.Fprintf(&out, "%s has %s; fill in what you measure, in the order that tells most:\n", path, plural(len(blanks), "blank"))
	}
	for _, line := range []string{
		"length_mm                with end taps it alone gives the speed of sound",
		"height_mm                in the direction of the taps of file; with the length it gives the stiffness",
		"mass_g, width_mm         with the others they give the density",
		"end_file, width_file     recordings of taps on the end, on the other face",
		"temperature_c, humidity_pct   of the air, for values at 12 % moisture",
		"species, price, currency, note   kept; the price never enters the score",
	} {
		out.WriteString("  " + line + "\n")
	}
	fmt.Fprintf(&out, "All columns: ringstock help delivery. Then: ringstock grade %s\n", filepath.Dir(path))
	return out.String()
}
