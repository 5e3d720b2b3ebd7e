package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"ringstock/grading"
	"ringstock/grading/spreadsheet"
	"ringstock/grading/stock"
	"ringstock/spectrum/measure"
)

// stockColumn is one column of a list: how it is headed, and its value.
type stockColumn struct {
	name, head, unit string
	text             func(stock.Blank) string
	value            func(stock.Blank) measure.Value // instead of text
}

var stockColumns = []stockColumn{
	{name: "number", head: "number", text: func(b stock.Blank) string { return b.Blank }},
	{name: "id", head: "id", text: func(b stock.Blank) string { return b.ID }},
	{name: "state", head: "state", text: func(b stock.Blank) string { return string(b.State) }},
	{name: "lot", head: "lot", text: func(b stock.Blank) string { return b.Lot }},
	{name: "delivery", head: "delivery", text: func(b stock.Blank) string { return b.Delivery }},
	{name: "place", head: "place", text: func(b stock.Blank) string { return b.Place }},
	{name: "species", head: "species", text: func(b stock.Blank) string { return b.Species }},
	{name: "supplier", head: "supplier", text: func(b stock.Blank) string { return b.Supplier }},
	{name: "for", head: "for", text: func(b stock.Blank) string { return b.Party }},
	{name: "bow", head: "bow", text: func(b stock.Blank) string { return b.Reference }},
	{name: "grade", head: "grade", text: func(b stock.Blank) string { return b.MakerGrade }},
	{name: "note", head: "note", text: func(b stock.Blank) string { return b.Note }},
	{name: "bought", head: "bought", text: func(b stock.Blank) string { return string(b.Bought) }},
	{name: "profile", head: "profile", text: func(b stock.Blank) string { return b.Profile }},
	{name: "verdict", head: "verdict", text: func(b stock.Blank) string { return string(b.Verdict) }},
	{name: "tests", head: "tests", text: func(b stock.Blank) string { return strconv.Itoa(b.Tests) }},
	{name: "last_test", head: "last test", text: func(b stock.Blank) string { return string(b.LastTest) }},
	{name: "price", head: "price", text: func(b stock.Blank) string {
		if b.Price == nil {
			return ""
		}
		return strconv.FormatFloat(*b.Price, 'f', 2, 64)
	}},
	{name: "currency", head: "currency", text: func(b stock.Blank) string { return b.Currency }},
	{name: "score", head: "score", unit: "0-100", value: func(b stock.Blank) measure.Value { return b.Score }},
	{name: "hz", head: "note", unit: "Hz", value: func(b stock.Blank) measure.Value { return b.Hz }},
	{name: "q", head: "sustain", unit: "Q", value: func(b stock.Blank) measure.Value { return b.Q }},
	{name: "density", head: "density", unit: "kg/m³", value: func(b stock.Blank) measure.Value { return b.Density }},
	{name: "modulus", head: "E/rho", unit: "MJ/kg", value: func(b stock.Blank) measure.Value { return b.SpecificModulus }},
	{name: "mass", head: "mass", unit: "g", value: func(b stock.Blank) measure.Value { return b.Mass }},
}

var usualColumns = []string{"number", "delivery", "state", "for", "place", "verdict", "grade", "score", "hz", "q", "density", "modulus", "mass"}

type stockListOptions struct {
	where                                         []string
	state, lot, species, place, delivery, verdict string
	bought, until                                 day
	sort, columns                                 []string
	all, csv, json                                bool
}

// addFilters gives a command the flags by which sticks are chosen.
func (o *stockListOptions) addFilters(f *pflag.FlagSet) {
	f.StringArrayVar(&o.where, "where", nil, "a `CONDITION`, like \"density>1050\"; may be given more than once")
	f.StringVar(&o.state, "state", "", "only this state")
	f.StringVar(&o.lot, "lot", "", "only this lot")
	f.StringVar(&o.delivery, "delivery", "", "only deliveries whose name contains this")
	f.StringVar(&o.species, "species", "", "only species whose name contains this")
	f.StringVar(&o.place, "place", "", "only places whose name contains this")
	f.StringVar(&o.verdict, "verdict", "", "only this verdict: keep, maybe, leave")
	f.Var(&o.bought, "from", "only sticks bought on this `DAY` or later")
	f.Var(&o.until, "to", "only sticks bought on this `DAY` or before")
}

func newStockList(place *stockPlace) *cobra.Command {
	var o stockListOptions
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the sticks that fit, in any order, as table, CSV or JSON",
		Long: `Lists sticks. The table holds those in the house, unless --all or a condition on the state asks for
more; --csv and --json hold all that fit. Conditions are NAME, one of = != < <= > >= ~ (contains), VALUE; a stick must fit
all of them. One whose value is not known fits no condition on it. Names:
` + strings.Join(stock.FilterFields(), ", ") + `.
` + stockExitHelp,
		Example: `  ringstock stock list --where "density>1050" --where "q>=180" --sort -score
  ringstock stock list --state reserved --csv > reserved.csv`,
		Args: takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error { return runStockList(ctx, cmd, s, o) })
		},
	}
	f := cmd.Flags()
	o.addFilters(f)
	f.BoolVar(&o.all, "all", false, "in the table too, what is used, sold, scrapped or failed")
	f.StringSliceVar(&o.sort, "sort", nil, "sort by these names; a minus in front puts the largest first")
	f.StringSliceVar(&o.columns, "columns", nil, "show these columns")
	f.BoolVar(&o.csv, "csv", false, "print CSV")
	f.BoolVar(&o.json, "json", false, "print one JSON document")
	return cmd
}

// filters turns the flags into conditions.
func (o stockListOptions) filters() (out []stock.Filter, err error) {
	conditions := slices.Clone(o.where)
	for _, c := range []struct{ name, value string }{{"state=", o.state}, {"lot=", o.lot}, {"delivery~", o.delivery}, {"species~", o.species}, {"place~", o.place}, {"verdict=", o.verdict},
		{"bought>=", string(o.bought.date)}, {"bought<=", string(o.until.date)}} {
		if c.value != "" {
			conditions = append(conditions, c.name+c.value)
		}
	}
	for _, c := range conditions {
		f, err := stock.ParseFilter(c)
		if err != nil {
			return nil, usageError{err}
		}
		out = append(out, f)
	}
	return out, nil
}

func runStockList(ctx context.Context, cmd *cobra.Command, s *stock.Store, o stockListOptions) error {
	filters, err := o.filters()
	if err != nil {
		return err
	}
	for _, name := range o.sort {
		if !slices.Contains(stock.FilterFields(), strings.ToLower(strings.TrimPrefix(name, "-"))) {
			return usageError{fmt.Errorf("can't sort by %q: it is none of %s", name, strings.Join(stock.FilterFields(), ", "))}
		}
	}
	names := o.columns
	if len(names) == 0 {
		names = usualColumns
	}
	var columns []stockColumn
	for _, name := range names {
		i := slices.IndexFunc(stockColumns, func(c stockColumn) bool { return c.name == name })
		if i < 0 {
			return usageError{fmt.Errorf("there is no column %q: it is none of %s", name, strings.Join(stock.FilterFields(), ", "))}
		}
		columns = append(columns, stockColumns[i])
	}
	blanks, err := s.List(ctx, filters, o.sort)
	if err != nil {
		return err
	}
	switch {
	case o.json:
		return writeStockJSON(cmd.OutOrStdout(), blanks)
	case o.csv:
		if len(o.columns) == 0 {
			columns = stockColumns
		}
		dialect, err := tableDialect("")
		if err != nil {
			return err
		}
		return writeStockCSV(cmd.OutOrStdout(), dialect, columns, blanks)
	}
	// A table is for what can be picked from the rack.
	left := 0
	if !o.all && o.state == "" && !slices.ContainsFunc(o.where, func(w string) bool { return strings.HasPrefix(strings.ToLower(strings.TrimSpace(w)), "state") }) {
		n := len(blanks)
		blanks = slices.DeleteFunc(blanks, func(b stock.Blank) bool { return !b.State.Present() })
		left = n - len(blanks)
	}
	if err := printStockList(cmd.OutOrStdout(), columns, blanks); err != nil || left == 0 {
		return err
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s used, sold, scrapped or failed: see them with --all\n", plural(left, "more stick"))
	return err
}

func writeStockJSON(w io.Writer, blanks []stock.Blank) error {
	return writeJSON(w, struct {
		Schema string        `json:"schema"`
		Blanks []stock.Blank `json:"blanks"`
	}{stock.Schema, append([]stock.Blank{}, blanks...)})
}

func printStockList(w io.Writer, columns []stockColumn, blanks []stock.Blank) error {
	var out strings.Builder
	if len(blanks) == 0 {
		out.WriteString("no stick fits\n")
		return say(w, &out)
	}
	// Texts stand left of numbers, in the order they were asked for.
	columns = slices.Clone(columns)
	slices.SortStableFunc(columns, func(a, b stockColumn) int {
		return map[bool]int{true: 1}[a.value != nil] - map[bool]int{true: 1}[b.value != nil]
	})
	var t textTable
	head := make([][]string, 2)
	for _, c := range columns {
		head[0], head[1] = append(head[0], c.head), append(head[1], c.unit)
		if c.value == nil {
			t.left++
		}
	}
	t.head = head
	for _, b := range blanks {
		var cells []string
		for _, c := range columns {
			if c.value != nil {
				cells = append(cells, compact(c.value(b)))
			} else {
				cells = append(cells, shorten(c.text(b), 24))
			}
		}
		t.add(cells...)
	}
	t.write(&out, "")
	fmt.Fprintf(&out, "\n%s", plural(len(blanks), "stick"))
	for _, m := range stock.Sum(blanks) {
		fmt.Fprintf(&out, "; %s", m)
	}
	out.WriteString("; ± is one standard uncertainty\n")
	return say(w, &out)
}

func writeStockCSV(w io.Writer, dialect spreadsheet.Dialect, columns []stockColumn, blanks []stock.Blank) error {
	out := spreadsheet.NewWriter(w, dialect)
	var head []any
	for _, c := range columns {
		head = append(head, c.name)
		if c.value != nil {
			head = append(head, c.name+"_u")
		}
	}
	if err := out.Row(head...); err != nil {
		return err
	}
	for _, b := range blanks {
		var row []any
		for _, c := range columns {
			if c.value == nil {
				row = append(row, c.text(b))
				continue
			}
			x, u := grading.NumberCells(c.value(b))
			row = append(row, x, u)
		}
		if err := out.Row(row...); err != nil {
			return err
		}
	}
	return out.Flush()
}
