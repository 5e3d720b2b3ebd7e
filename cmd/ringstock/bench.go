package main

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"sync"

	"github.com/spf13/cobra"

	"ringstock/capture"
	"ringstock/capture/mic"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading/stick"
	"ringstock/grading/stock"
)

type benchOptions struct {
	listen  listenOptions
	addr    string
	open    bool
	stock   stockPlace
	verbose bool
}

func newBench() *cobra.Command {
	var o benchOptions
	cmd := &cobra.Command{
		Use:   "bench [FOLDER]",
		Short: "The workshop in the browser: tap at a live page, measure, rank, choose, keep the stock",
		Long: `Serves the workshop's pages and prints their address: deliveries, tapping, measuring, ranking,
stock and sticks, on the same folders as the commands. With FOLDER it begins at the page for tapping
into it; without one, at the workshop's first page, where deliveries are made and chosen. --open also
opens a window of the browser; "ringstock" alone, from a terminal with a screen or by a double click,
does the same. A second start finds the workshop that runs. The port is kept between starts.

The page for tapping, opened in a browser on this computer, shows
the blank's number, whether the last tap was good, note, sustain and verdict, large enough to read
from two metres, and takes keys or a foot pedal. Sound comes from the browser's own microphone or,
if the program was built with PortAudio, from a microphone of this computer. Each good tap is on
the disk before the page says so; folder and session are those of "ringstock listen".

Only this computer can open the pages. With --addr
others in the network can too: they need the token in the printed address, and since the line is
not encrypted, this is for a network that you trust. Browsers lend their microphone only to a page
on the same computer.

Stop it with Ctrl-C, or by "Close the workshop" on its first page. Exit status: 0 done, 1 failed, 2 wrong usage, 130 interrupted.`,
		Example: `  ringstock bench --open
  ringstock bench ringstock-demo
  ringstock bench ringstock-demo --blank D25 --profile viola`,
		Args: takes(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			folder := ""
			if len(args) == 1 {
				folder = args[0]
			}
			return runBench(cmd, folder, o)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.addr, "addr", "127.0.0.1:0", "`HOST:PORT` to serve on; port 0 = a free one, without FOLDER the one kept")
	f.BoolVar(&o.open, "open", false, "open a window of the browser")
	f.StringVar(&o.listen.blank, "blank", "", "the `NUMBER` of the blank to begin with")
	f.StringVar(&o.listen.profile, "profile", "violin", "judge by this profile: a built-in one, or a `FILE` of your own")
	o.listen.addAir(cmd)
	f.StringVar(&o.listen.striker, "striker", "", "what you tap with; loudness compares only with the same one")
	f.BoolVar(&o.verbose, "verbose", false, "also print what the sound system's libraries say")
	o.stock.addFlag(cmd)
	o.listen.side, o.listen.taps = string(session.Face), 5
	return cmd
}

func runBench(cmd *cobra.Command, folder string, o benchOptions) error {
	settings := func(folder string) (session.Settings, error) { return o.listen.settings(cmd, folder) }
	if folder != "" {
		full, err := filepath.Abs(folder)
		if err != nil {
			return err
		}
		folder = full
	}
	if _, err := settings("."); err != nil { // flags are wrong whatever is tapped
		return err
	}
	kept := !cmd.Flags().Changed("addr") && folder == ""
	if kept {
		if address, ok := runningWorkshop(); ok {
			return openRunning(cmd, address, o.open)
		}
	}
	name, _, err := net.SplitHostPort(o.addr)
	if err != nil {
		return usageError{fmt.Errorf("--addr %q: give HOST:PORT, like 127.0.0.1:8030", o.addr)}
	}
	loud, err := hush(o.verbose)
	if err != nil {
		return err
	}
	defer func() { loud(cmd.ErrOrStderr()) }()
	ctx, cancel := context.WithCancel(cmd.Context())
	defer cancel()
	b := &bay{set: settings, ctx: ctx, changed: func() {}, level: func(capture.Level) {}}
	defer b.end()
	if folder != "" {
		if err := b.lay(folder); err != nil {
			return err
		}
		o.listen.blank = "" // it is one of this folder's
	}
	listener, err := listenAt(ctx, o.addr, kept)
	if err != nil {
		return fmt.Errorf("the bench can't be served on %s: %w; choose another --addr", o.addr, err)
	}
	at := listener.Addr().(*net.TCPAddr)
	store := o.openStock(ctx)
	shop := newWorkshop(b, &o, store, cancel)
	if folder != "" {
		shop.remember(folder) // a convenience: where it can't be kept, nothing is lost
	}
	opt := bench.Options{
		Workshop: shop, Has: hasCommand, Models: stick.Cards(),
		Hosts: bench.LocalHosts(at.IP, name), Moves: entering, Devices: microphones(), Stock: store,
		Log: func(format string, args ...any) {
			fmt.Fprintln(cmd.ErrOrStderr(), printable(fmt.Sprintf(format, args...)))
		},
	}
	address := url.URL{Scheme: "http", Host: at.String(), Path: "/"}
	if at.IP.IsUnspecified() {
		address.Host = net.JoinHostPort("127.0.0.1", fmt.Sprint(at.Port))
	}
	if !at.IP.IsLoopback() {
		opt.Token = newToken()
		address.RawQuery = url.Values{"token": {opt.Token}}.Encode()
	}
	server := bench.New(b, opt)
	if _, err := fmt.Fprintln(cmd.OutOrStdout(), address.String()); err != nil {
		return err
	}
	if opt.Token != "" {
		fmt.Fprintln(cmd.ErrOrStderr(), "warning: others in the network can open this bench with the token in the address, and what goes over the line is not encrypted")
		if at.IP.IsUnspecified() {
			fmt.Fprintln(cmd.ErrOrStderr(), "from another computer, put the address of this one in the place of 127.0.0.1")
		}
	}
	fmt.Fprintln(cmd.ErrOrStderr(), printable("open the address in a browser on this computer; stop with Ctrl-C"+into(folder)))
	if o.open {
		if err := openWindow(address.String()); err != nil {
			fmt.Fprintln(cmd.ErrOrStderr(), printable("no browser could be opened: "+err.Error()+"; open the address by hand"))
		}
	}
	err = server.Serve(ctx, listener)
	cancel()
	return errors.Join(err, cmd.Context().Err())
}

func into(folder string) string {
	if folder == "" {
		return ""
	}
	return "; taps go to " + folder
}

func newToken() string {
	var b [18]byte
	rand.Read(b[:])
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// openStock opens the stock when it is first asked for, and keeps it open.
func (o *benchOptions) openStock(ctx context.Context) func(context.Context) (*stock.Store, error) {
	var mu sync.Mutex
	var open *stock.Store
	context.AfterFunc(ctx, func() {
		mu.Lock()
		defer mu.Unlock()
		if open != nil {
			open.Close()
		}
	})
	return func(context.Context) (*stock.Store, error) {
		mu.Lock()
		defer mu.Unlock()
		if open != nil {
			return open, nil
		}
		s, err := o.stock.open(ctx, false)
		if err == nil {
			open = s
		}
		return s, err
	}
}

// microphones are those of this computer; none if the program was built without them.
func microphones() (list []bench.Device) {
	devices, err := mic.Devices()
	if err != nil {
		return nil
	}
	for _, d := range devices {
		name := d.HostAPI + ": " + d.Name
		list = append(list, bench.Device{Name: name, Open: func() (capture.Source, bench.Rig, error) {
			m, err := mic.Open(mic.Options{Name: name})
			if err != nil {
				return nil, bench.Rig{}, err
			}
			return m, bench.Rig{Device: m.Name, API: m.HostAPI}, nil
		}})
	}
	return list
}
