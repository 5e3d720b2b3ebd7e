package main

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// everyCommand walks all commands that do something.
func everyCommand(do func(*cobra.Command)) {
	var walk func(*cobra.Command)
	walk = func(cmd *cobra.Command) {
		if !cmd.HasSubCommands() {
			do(cmd)
		}
		for _, sub := range cmd.Commands() {
			walk(sub)
		}
	}
	walk(newRoot())
}

// What is no number, endless or below zero is refused where it is typed, by every flag of
// every command that takes a number; only a temperature may be below zero.
func TestNumericFlagsRefuseWhatIsNone(t *testing.T) {
	n := 0
	everyCommand(func(cmd *cobra.Command) {
		cmd.Flags().VisitAll(func(f *pflag.Flag) {
			name := cmd.CommandPath() + " --" + f.Name
			switch kind := f.Value.Type(); kind {
			case "number", "int":
			case "string":
				// A number that is read as a text would be checked elsewhere, or nowhere.
				for _, unit := range []string{"-mm", "-g", "-u", "-n", "-hz", "-pct", "price", "temperature", "humidity", "moisture"} {
					if strings.HasSuffix(f.Name, unit) {
						t.Errorf("%s takes a text", name)
					}
				}
				return
			case "bool", "stringArray", "stringSlice", "day":
				return
			default:
				t.Errorf("%s is of type %s, which no check is known for", name, kind)
				return
			}
			n++
			for _, typed := range []string{"NaN", "nan", "Inf", "-inf", "+Inf", "1e400", "0x1p4", "1_000", "", "-1", "-0,5", "12 34"} {
				if f.Name == "temperature" && strings.HasPrefix(typed, "-") && typed != "-inf" {
					continue
				}
				err := cmd.ParseFlags([]string{"--" + f.Name + "=" + typed})
				if err == nil {
					t.Errorf("%s takes %q", name, typed)
				} else if exitCode(cmd.FlagErrorFunc()(cmd, err)) != exitUsage {
					t.Errorf("%s %q: exit code %d", name, typed, exitCode(err))
				}
			}
		})
	})
	if n < 60 {
		t.Errorf("only %d flags found", n)
	}
}

// Every command prints one JSON document on request, but those whose output is a text or
// a page of its own; the manual names them.
func TestCommandsTakeJSON(t *testing.T) {
	page := document(t, "cmd/ringstock/manual/pages/files.md")
	_, list, found := strings.Cut(page, "Without `--json`: ")
	list, _, _ = strings.Cut(list, "\n")
	if !found {
		t.Fatal("files.md does not say which commands have no --json")
	}
	everyCommand(func(cmd *cobra.Command) {
		name := "`" + strings.TrimPrefix(cmd.CommandPath(), "ringstock ") + "`"
		without := cmd.Flags().Lookup("json") == nil
		if without != strings.Contains(list, name) {
			t.Errorf("%s: without --json is %v, but the manual says %q", cmd.CommandPath(), without, list)
		}
	})
}

// Of flags that many commands have, each means one thing: --where is a condition, and
// a mass is in grams.
func TestFlagsHaveOneSense(t *testing.T) {
	everyCommand(func(cmd *cobra.Command) {
		cmd.Flags().VisitAll(func(f *pflag.Flag) {
			if f.Name == "where" && !strings.Contains(f.Usage, "`CONDITION`") || f.Name == "mass" {
				t.Errorf("%s --%s: %s", cmd.CommandPath(), f.Name, f.Usage)
			}
		})
	})
}
