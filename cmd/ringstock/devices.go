package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/capture/mic"
)

func newDevices() *cobra.Command {
	var asJSON, verbose bool
	cmd := &cobra.Command{
		Use:   "devices",
		Short: "List the microphones",
		Long: `Lists the input devices, one a line: its number, * before the one that the system prefers, its
name, the sound system that offers it, how many channels it has and its own sample rate. The list
is made anew each time, so a number holds until something is plugged in or out; a name stays. Choose
one with listen --device: a part of the name will do, or the number, or "default".

Exit status: 0 done, 1 failed, 2 wrong usage.`,
		Args: takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			loud, err := hush(verbose)
			if err != nil {
				return err
			}
			devices, err := mic.Devices()
			loud(cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), struct {
					Schema  string       `json:"schema"`
					Devices []mic.Device `json:"devices"`
				}{"ringstock/devices/1", append([]mic.Device{}, devices...)})
			}
			if len(devices) == 0 {
				_, err := fmt.Fprintln(cmd.ErrOrStderr(), "no microphone was found: plug one in, check that the system's sound settings show it and that its privacy settings permit it")
				return err
			}
			return printDevices(cmd.OutOrStdout(), devices)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	cmd.Flags().BoolVar(&verbose, "verbose", false, "also print what the sound system's libraries say")
	return cmd
}

func printDevices(w io.Writer, devices []mic.Device) error {
	t := textTable{left: 4, cut: 2, head: [][]string{{"number", "", "microphone", "sound system", "channels", "rate Hz"}}}
	for i, d := range devices {
		mark := " "
		if d.Default {
			mark = "*"
		}
		t.add(fmt.Sprint(i+1), mark, d.Name, d.HostAPI, fmt.Sprint(d.Channels), fmt.Sprintf("%.0f", d.RateHz))
	}
	var out strings.Builder
	t.write(&out, "")
	_, err := io.WriteString(w, printable(out.String()))
	return err
}

// hush keeps the chatter of sound libraries off the terminal. What it returns prints
// it, if it is wanted.
func hush(verbose bool) (func(io.Writer), error) {
	log, err := mic.RedirectStderr()
	if err != nil {
		return nil, fmt.Errorf("the sound library's messages can't be kept off the terminal: %w", err)
	}
	return func(w io.Writer) {
		if log == nil || !verbose {
			return
		}
		if text, err := io.ReadAll(io.NewSectionReader(log, 0, 1<<20)); err == nil {
			fmt.Fprint(w, printable(string(text)))
		}
	}, nil
}
