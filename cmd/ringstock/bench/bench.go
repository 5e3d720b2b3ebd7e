// Package bench serves the pages of the tapping bench: what was heard last, how the
// blank and the delivery stand, the fields for what is measured; and the pages of the
// stock. It shows and steers a Session, and can lend it the microphone of the browser.
// It computes nothing.
package bench

import (
	"context"
	"net"
	"net/http"
	"sync"
	"time"

	"ringstock/capture"
	"ringstock/grading"
	"ringstock/grading/stock"
	"ringstock/spectrum"
)

// Session is a tapping session. It keeps what it accepts, so that a page that goes away
// takes nothing with it. Its methods may be called from several goroutines.
type Session interface {
	// State is how things stand.
	State() State
	// Watch names what to call when State has changed, and with each level of the sound.
	// Both return at once.
	Watch(changed func(), level func(capture.Level))
	// Order carries out what a key or pedal asks for; GoTo needs the blank's number.
	Order(order Order, blank string) error
	// Set enters a measurement or a word about a blank; field is a column of
	// delivery.csv. Unless the maker is sure, an entry that can hardly be right is a
	// Doubt.
	Set(blank, field, text string, sure bool) error
	// HandsFree goes on to the next blank after so many good taps; 0 ends that.
	HandsFree(taps int) error
	// Hear follows a source until it ends or fails, or ctx is done. One at a time.
	Hear(ctx context.Context, source capture.Source, rig Rig) error
}

// Order is what a key or pedal asks for.
type Order string

// The orders.
const (
	Next  Order = "next"  // the next blank
	Again Order = "again" // this blank from its first tap
	Drop  Order = "drop"  // forget the last good tap
	Other Order = "other" // tap the other face, or the face again
	End   Order = "end"   // tap the end grain, or the face again
	Count Order = "count" // what was asked about is a blank
	GoTo  Order = "go to" // a blank by its number
)

// Face is where a blank is tapped.
type Face string

// The faces.
const (
	TheFace   Face = "side"
	OtherFace Face = "other"
	EndGrain  Face = "end"
)

// Rig is where the sound comes from, for the record.
type Rig struct {
	Device string
	API    string            // what stands between program and device
	Doubts []capture.Warning // that the device may change the sound
}

// Doubt is an entry that can hardly be right. Entered once more, it is kept.
type Doubt struct{ Text string }

func (d Doubt) Error() string { return d.Text }

// Unsaved is an entry that could not be written yet; the session keeps it and tries
// again.
type Unsaved struct{ Text string }

func (u Unsaved) Error() string { return u.Text }

// State is all that the page shows, so that a page that was loaded anew is as good
// as one that stayed.
type State struct {
	Delivery  string
	Now       grading.Blank // the blank being tapped, as it is judged so far
	Face      Face
	Good      int      // good taps on this face
	HandsFree int      // good taps per blank; 0 = by hand
	Rig       []string // doubts about the microphone
	Room      string   // what the quiet before the first tap says; empty until it was heard
	RoomPoor  bool     // it asks for something to be done
	Last      *Tap
	Best      *Curve          // the longest sustain so far
	Blanks    []grading.Blank // the delivery so far, by rank
	Unsaved   []string        // entries that could not be written yet, and why
	Looking   string          // how far the folder has been looked through; empty when it has
	Notice    string          // anything else worth telling
	Trouble   string          // why nothing is heard or kept; empty if all is well
}

// Tap is what was heard last.
type Tap struct {
	Serial int // counts the taps of the session
	Blank  string
	Face   Face
	Good   bool
	Asked  bool   // it does not sound like a blank: Count counts it
	Say    string // why it can't be used, and what to do
	Ring   *spectrum.Ring
	Note   string // name of the note, a blank, and how many cents it is off
	Curve  *Curve
}

// Curve is how a ring falls.
type Curve struct {
	Blank   string
	Decay   []spectrum.Point // s after the strike, dB
	Fit     []spectrum.Point
	FloorDB float64
}

// Device is a microphone of this computer that the program itself can open.
type Device struct {
	Name string
	Open func() (capture.Source, Rig, error)
}

// Options say how a bench is set up.
type Options struct {
	Token   string                                      // demanded of every page; empty = of none
	Hosts   func(host string) bool                      // names by which this server may be called, without the port
	Stock   func(context.Context) (*stock.Store, error) // the stock, which may not be there yet
	Moves   map[stock.State]stock.Kind                  // the event that brings a stick into a state
	Devices []Device
	// Workshop has the pages beside the tapping; nil: there are none.
	Workshop Workshop
	Has      func(command []string) bool // tells whether there is a command
	Models   []string                    // built-in models of sticks
	Now      func() time.Time
	Log      func(format string, args ...any) // told what was refused
}

// Server is a bench.
type Server struct {
	session Session
	opt     Options
	guard   guard
	handler http.Handler

	mu      sync.Mutex
	clients map[*client]bool
	holder  *client // holds the controls
	ear     *ear    // what the session hears; nil if nothing
	state   []byte  // the latest message that tells the state
	// The latest sheets that commands wrote for pages, and how many there have been.
	sheets     [][]byte
	sheetsMade int
	change     chan struct{}
}

// New is a bench for a session.
func New(session Session, opt Options) *Server {
	s := &Server{session: session, opt: opt, clients: map[*client]bool{}, change: make(chan struct{}, 1)}
	s.guard = guard{token: opt.Token, hosts: opt.Hosts, log: limitedLog(opt.Log)}
	mux := http.NewServeMux()
	s.pages(mux)
	mux.HandleFunc("GET /live", s.live)
	s.handler = s.guard.protect(mux)
	session.Watch(s.changed, s.level)
	s.changed()
	return s
}

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

// Serve answers requests until ctx is done.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	server := &http.Server{
		Handler: s, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 15 * time.Second, WriteTimeout: 30 * time.Second,
		IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.broadcast(ctx)
	}()
	stopped := make(chan error, 1)
	context.AfterFunc(ctx, func() {
		s.closeAll()
		late, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer cancel()
		stopped <- server.Shutdown(late)
	})
	err := server.Serve(fewListener{l, make(chan struct{}, mostConnections), s.guard.log})
	cancel()
	<-done
	if err == http.ErrServerClosed {
		return <-stopped
	}
	<-stopped
	return err
}
