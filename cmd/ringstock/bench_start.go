package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
)

// atScreen tells whether the program was started without a command by somebody who can
// look at a window: by a double click, or at a terminal of a computer with a screen.
// Scripts, pipes and remote shells get the help.
func atScreen() bool {
	if runtime.GOOS == "linux" && os.Getenv("DISPLAY") == "" && os.Getenv("WAYLAND_DISPLAY") == "" {
		return false
	}
	return isTerminal(os.Stdin) && isTerminal(os.Stdout) && isTerminal(os.Stderr) || doubleClicked()
}

// doubleClicked tells whether the file manager started the program: on macOS its parent
// is the first process, and it has neither input nor a terminal. On Windows a double
// click gives it a terminal of its own.
func doubleClicked() bool {
	return runtime.GOOS == "darwin" && os.Getppid() == 1
}

// openedBench is the bench as a double click starts it.
func openedBench() benchOptions {
	o := benchOptions{addr: "127.0.0.1:0", open: true}
	o.listen.profile, o.listen.side, o.listen.taps = "violin", string(session.Face), 5
	return o
}

// listenAt listens at an address; if the port is to be kept, at the one that was used
// last, if it is free.
func listenAt(ctx context.Context, addr string, kept bool) (net.Listener, error) {
	var config net.ListenConfig
	if !kept {
		return config.Listen(ctx, "tcp", addr)
	}
	m := readMemory()
	if m.Port > 0 {
		if l, err := config.Listen(ctx, "tcp", fmt.Sprintf("127.0.0.1:%d", m.Port)); err == nil {
			return l, nil
		}
	}
	l, err := config.Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, err
	}
	m.Port = l.Addr().(*net.TCPAddr).Port
	if err := m.write(); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// runningWorkshop is the address of a workshop that was started before and still runs.
func runningWorkshop() (address string, ok bool) {
	m := readMemory()
	if m.Port <= 0 {
		return "", false
	}
	address = fmt.Sprintf("http://127.0.0.1:%d/", m.Port)
	client := http.Client{Timeout: 2 * time.Second}
	w, err := client.Get(address + "alive")
	if err != nil {
		return "", false
	}
	defer w.Body.Close()
	text, err := io.ReadAll(io.LimitReader(w.Body, 100))
	return address, err == nil && w.StatusCode == http.StatusOK && string(text) == bench.Alive
}

// openRunning opens a workshop that runs already.
func openRunning(cmd *cobra.Command, address string, window bool) error {
	if _, err := fmt.Fprintln(cmd.OutOrStdout(), address); err != nil {
		return err
	}
	fmt.Fprintln(cmd.ErrOrStderr(), "the workshop is open already, at this address")
	if window {
		if err := openWindow(address); err != nil {
			return fmt.Errorf("no browser could be opened: %w; open the address by hand", err)
		}
	}
	return nil
}

// openWindow opens a page in a window of its own, where a browser that can is installed,
// else in the default browser.
func openWindow(address string) error {
	for _, path := range browsers() {
		if exec.Command(path, "--app="+address).Start() == nil {
			return nil
		}
	}
	switch runtime.GOOS {
	case "windows":
		return exec.Command("rundll32", "url.dll,FileProtocolHandler", address).Start()
	case "darwin":
		return exec.Command("open", address).Start()
	}
	return exec.Command("xdg-open", address).Start()
}

// browsers are those of this computer that open a window without the browser's own rows.
// RINGSTOCK_BROWSER names another one instead.
func browsers() (list []string) {
	if own := os.Getenv("RINGSTOCK_BROWSER"); own != "" {
		return []string{own}
	}
	var try []string
	switch runtime.GOOS {
	case "windows":
		for _, dir := range []string{"ProgramFiles", "ProgramFiles(x86)", "LocalAppData"} {
			if root := os.Getenv(dir); root != "" {
				try = append(try, filepath.Join(root, `Microsoft\Edge\Application\msedge.exe`), filepath.Join(root, `Google\Chrome\Application\chrome.exe`), filepath.Join(root, `Chromium\Application\chrome.exe`))
			}
		}
	case "darwin":
		for _, app := range []string{"Google Chrome", "Chromium", "Microsoft Edge"} {
			try = append(try, "/Applications/"+app+".app/Contents/MacOS/"+app)
		}
	default:
		try = strings.Fields("chromium chromium-browser google-chrome google-chrome-stable microsoft-edge")
	}
	for _, t := range try {
		if path, err := exec.LookPath(t); err == nil {
			list = append(list, path)
		}
	}
	return list
}
