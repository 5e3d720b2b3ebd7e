package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"ringstock/grading"
	"ringstock/grading/settings"
	"ringstock/grading/spreadsheet"
)

func newSettings() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "settings [FOLDER]",
		Short: "Print your settings, explained, and say where they lie",
		Long: `Prints the settings in force as a TOML file with explanations: the profile to judge by, the
uncertainty of your own scale and calliper, the folder of the stock, and how tables are
written for your spreadsheet (separator, decimal mark). They are read from two files, neither
of which need be there: settings.toml in your own folder of settings, and over it, for a
delivery, ringstock.toml in its FOLDER. Flags count over both. To change a setting, save what
is printed under one of these names, change the line, and leave out the others.

The variable RINGSTOCK_SETTINGS names another folder in the place of your own.

Exit status: 0 done, 1 a file of settings is wrong, 2 wrong usage.`,
		Example: `  ringstock settings
  ringstock settings ringstock-demo`,
		Args: takes(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			folder := ""
			if len(args) == 1 {
				folder = args[0]
				if info, err := os.Stat(folder); err != nil {
					return fmt.Errorf("the delivery folder can't be opened: %w", err)
				} else if !info.IsDir() {
					return fmt.Errorf("%s is a file: name the delivery's folder", folder)
				}
			}
			s, err := settingsFor(folder)
			if err != nil {
				return err
			}
			if !asJSON {
				_, err = io.WriteString(cmd.OutOrStdout(), printable(s.Text()))
				return err
			}
			list, err := s.List()
			if err != nil {
				return err
			}
			return writeJSON(cmd.OutOrStdout(), struct {
				Schema   string             `json:"schema"`
				Places   []settings.Place   `json:"places"`
				Settings []settings.Setting `json:"settings"`
			}{"ringstock/settings/1", s.Places, list})
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

// settingsDir is the user's folder of settings, or the one that RINGSTOCK_SETTINGS names.
func settingsDir() (string, error) {
	if dir := os.Getenv("RINGSTOCK_SETTINGS"); dir != "" {
		return dir, nil
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("no place for the settings: %w; name a folder by the variable RINGSTOCK_SETTINGS", err)
	}
	return filepath.Join(dir, "ringstock"), nil
}

// settingsFor are the settings in force for a delivery folder, or those of the user
// alone.
func settingsFor(folder string) (settings.Settings, error) {
	var files []string
	if dir, err := settingsDir(); err == nil { // without a home there are none
		files = append(files, filepath.Join(dir, settings.UserName))
	}
	if folder != "" {
		files = append(files, filepath.Join(folder, settings.DeliveryName))
	}
	return settings.Read(files...)
}

// tableDialect is how tables about a delivery folder, or about the stock, are written.
func tableDialect(folder string) (spreadsheet.Dialect, error) {
	s, err := settingsFor(folder)
	return s.Tables, err
}

// profileFor is the profile that --profile names, else that of the settings.
func profileFor(cmd *cobra.Command, named, folder string) (grading.Profile, error) {
	f := cmd.Flags().Lookup("profile")
	if f == nil || f.Changed {
		return loadProfile(named)
	}
	s, err := settingsFor(folder)
	if err != nil {
		return grading.Profile{}, err
	}
	return loadProfile(s.Profile)
}
