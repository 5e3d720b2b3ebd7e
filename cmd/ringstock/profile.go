package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading"
	"ringstock/grading/tomlfile"
)

func newProfile() *cobra.Command {
	return &cobra.Command{
		Use:   "profile [NAME]",
		Short: "Print a built-in profile, to start your own from",
		Long: `Prints the limits and weights of a built-in profile as a TOML file with explanations, or
without NAME the names of all. They are starting values (common practice, no source): save one,
put in your own limits, and name the file with grade --profile.

Exit status: 0 done, 2 wrong usage.`,
		Example: `  ringstock profile violin > my-profile.toml`,
		Args:    takes(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			text := []byte(strings.Join(grading.Profiles(), "\n") + "\n")
			if len(args) == 1 {
				var ok bool
				if text, ok = grading.ProfileText(args[0]); !ok {
					return unknownProfile(args[0])
				}
			}
			_, err := cmd.OutOrStdout().Write(text)
			return err
		},
	}
}

func unknownProfile(name string) error {
	return usageError{fmt.Errorf("there is no profile %q: built in are %s; an own one is named by its file", name, strings.Join(grading.Profiles(), ", "))}
}

// loadProfile finds a profile by its name, else by its file.
func loadProfile(name string) (grading.Profile, error) {
	text, builtIn := grading.ProfileText(name)
	if !builtIn {
		var err error
		if text, err = tomlfile.Read(name); errors.Is(err, fs.ErrNotExist) {
			return grading.Profile{}, unknownProfile(name)
		} else if err != nil {
			return grading.Profile{}, fmt.Errorf("profile: %w", err)
		}
	}
	p, err := grading.ParseProfile(text)
	if err != nil {
		return grading.Profile{}, fmt.Errorf("profile %s: %w", name, err)
	}
	return p, nil
}
