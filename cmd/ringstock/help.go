package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"ringstock/cmd/ringstock/licences"
	"ringstock/cmd/ringstock/manual"
)

// newHelp shows a page of the manual, or the help of a command; without either,
// what pages there are.
func newHelp() *cobra.Command {
	return &cobra.Command{
		Use:   "help [TOPIC or COMMAND]",
		Short: "Read the manual",
		Long: `Shows a page of the manual, or the help of a command. Without a name it lists the pages.
Where a page and a command have one name, the page is shown, and COMMAND --help tells of
the command.`,
		Example: `  ringstock help start
  ringstock help numbers`,
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			var names []string
			for _, t := range manual.Topics() {
				names = append(names, t.Name+"\t"+t.Title)
			}
			return names, cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			out := cmd.OutOrStdout()
			if len(args) == 0 {
				return listTopics(out)
			}
			if topic, ok := manual.Find(args[0]); ok && len(args) == 1 {
				_, err := io.WriteString(out, topic.Terminal(columns(out)))
				return err
			}
			about, rest, err := cmd.Root().Find(args)
			if err != nil || len(rest) > 0 || about == cmd.Root() {
				return usageError{fmt.Errorf("there is no page and no command %q; ringstock help lists the pages", strings.Join(args, " "))}
			}
			about.InitDefaultHelpFlag()
			return about.Help()
		},
	}
}

func listTopics(w io.Writer) error {
	var b strings.Builder
	b.WriteString("Pages of the manual, read with ringstock help TOPIC:\n\n")
	for _, t := range manual.Topics() {
		fmt.Fprintf(&b, "  %-11s %s\n", t.Name, t.Title)
	}
	b.WriteString("\nThe commands are listed by ringstock --help.\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// proseColumns is the longest line that is still easy to read; narrower terminals
// get narrower pages.
const proseColumns = 90

// columns is how many columns a page of prose may have on w.
func columns(w io.Writer) int {
	if f, ok := w.(*os.File); ok {
		if width, _, err := term.GetSize(int(f.Fd())); err == nil && width > 0 {
			return min(width-1, proseColumns)
		}
	}
	return 80
}

// newLicences prints what must come along with a copy of the program.
func newLicences() *cobra.Command {
	return &cobra.Command{
		Use:   "licences",
		Short: "Print the licences of all that is inside",
		Long: `Prints the licence of ringstock, of Go's standard library, and of each module inside, word
for word. They must come along with every copy of the program.`,
		Args: takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := io.WriteString(cmd.OutOrStdout(), licences.Text)
			return err
		},
	}
}
