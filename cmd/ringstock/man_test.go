package main

import (
	"flag"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"

	"ringstock/cmd/ringstock/manual"
)

var manDir = flag.String("man", "", "write the man pages to this folder")

// TestManPages: each command and each page of the manual has a man page with its
// headings. With -args -man DIR they are written, for a release.
func TestManPages(t *testing.T) {
	dir := *manDir
	if dir == "" {
		dir = t.TempDir()
	} else if err := os.MkdirAll(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	root := newRoot()
	root.InitDefaultHelpCmd()
	root.InitDefaultVersionFlag()
	date := time.Now()
	if s, err := strconv.ParseInt(os.Getenv("SOURCE_DATE_EPOCH"), 10, 64); err == nil {
		date = time.Unix(s, 0).UTC()
	}
	header := &doc.GenManHeader{Section: "1", Source: "ringstock", Manual: "ringstock", Date: &date}
	if err := doc.GenManTree(root, header, dir); err != nil {
		t.Fatal(err)
	}
	var commands func(c *cobra.Command) int
	commands = func(c *cobra.Command) int {
		if !c.IsAvailableCommand() && c.HasParent() {
			return 0
		}
		n := 1
		for _, sub := range c.Commands() {
			n += commands(sub)
		}
		return n
	}
	pages, err := filepath.Glob(filepath.Join(dir, "*.1"))
	if err != nil || len(pages) < commands(root) {
		t.Errorf("%d man pages for %d commands (%v)", len(pages), commands(root), err)
	}
	for _, topic := range manual.Topics() {
		page := topic.Man(date)
		if !strings.Contains(page, "\nringstock\\-"+topic.Name+" \\- ") {
			t.Errorf("%s has no name in its man page:\n%s", topic.Name, page)
		}
		if err := os.WriteFile(filepath.Join(dir, "ringstock-"+topic.Name+".7"), []byte(page), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}
