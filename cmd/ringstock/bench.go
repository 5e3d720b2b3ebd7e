package main

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"

	"github.com/spf13/cobra"

	"ringstock/capture"
	"ringstock/capture/mic"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading/stock"
)

type benchOptions struct {
	listen  listenOptions
	addr    string
	stock   stockPlace
	verbose bool
}

func newBench() *cobra.Command {
	var o benchOptions
	cmd := &cobra.Command{
		Use:   "bench FOLDER",
		Short: "Tap at a live page in the browser; fills a delivery folder",
		Long: `Serves a page for tapping and prints its address. Open it in a browser on this computer: it shows
the blank's number, whether the last tap was good, note, sustain and verdict, large enough to read
from two metres, and takes keys or a foot pedal. Sound comes from the browser's own microphone or,
if the program was built with PortAudio, from a microphone of this computer. Each good tap is on
the disk before the page says so; folder and session are those of "ringstock listen".

The page of the stock is on the same server. Only this computer can open the pages. With --addr
others in the network can too: they need the token in the printed address, and since the line is
not encrypted, this is for a network that you trust. Browsers lend their microphone only to a page
on the same computer.

Stop it with Ctrl-C. Exit status: 0 done, 1 failed, 2 wrong usage, 130 interrupted.`,
		Example: `  ringstock bench spring-delivery
  ringstock bench spring-delivery --blank A017 --profile viola`,
		Args: takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error { return runBench(cmd, args[0], o) },
	}
	f := cmd.Flags()
	f.StringVar(&o.addr, "addr", "127.0.0.1:0", "`HOST:PORT` to serve on; port 0 = any free one")
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
	set, err := o.listen.settings(cmd, folder)
	if err != nil {
		return err
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
	d, err := openDesk(set)
	if err != nil {
		return err
	}
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", o.addr)
	if err != nil {
		return fmt.Errorf("the bench can't be served on %s: %w; choose another --addr", o.addr, err)
	}
	at := listener.Addr().(*net.TCPAddr)
	opt := bench.Options{
		Hosts: bench.LocalHosts(at.IP, name), Moves: entering, Devices: microphones(), Stock: o.openStock(ctx),
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
	server := bench.New(d, opt)
	if _, err := fmt.Fprintln(cmd.OutOrStdout(), address.String()); err != nil {
		return err
	}
	if opt.Token != "" {
		fmt.Fprintln(cmd.ErrOrStderr(), "warning: others in the network can open this bench with the token in the address, and what goes over the line is not encrypted")
		if at.IP.IsUnspecified() {
			fmt.Fprintln(cmd.ErrOrStderr(), "from another computer, put the address of this one in the place of 127.0.0.1")
		}
	}
	fmt.Fprintln(cmd.ErrOrStderr(), printable("open the address in a browser on this computer; stop with Ctrl-C; taps go to "+folder))
	worked := make(chan struct{})
	go func() {
		defer close(worked)
		d.work(ctx)
	}()
	err = server.Serve(ctx, listener)
	cancel()
	<-worked
	return errors.Join(err, cmd.Context().Err())
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
