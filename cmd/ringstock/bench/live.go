package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/coder/websocket"

	"ringstock/capture"
	"ringstock/capture/filefault"
)

// client is one open page.
type client struct {
	conn *websocket.Conn
	wake chan struct{} // something is to be sent

	mu      sync.Mutex
	state   []byte // the latest of each, if it was not sent yet
	level   []byte
	role    []byte
	answers [][]byte
}

// post leaves something to be sent.
func (c *client) post(leave func(*client)) {
	c.mu.Lock()
	leave(c)
	c.mu.Unlock()
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// outgoing takes what is to be sent.
func (c *client) outgoing() (list [][]byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, m := range append([][]byte{c.role, c.state, c.level}, c.answers...) {
		if m != nil {
			list = append(list, m)
		}
	}
	c.state, c.level, c.role, c.answers = nil, nil, nil, nil
	return list
}

// changed makes a note that the state is to be told.
func (s *Server) changed() {
	select {
	case s.change <- struct{}{}:
	default:
	}
}

// broadcast tells the state to all pages whenever it has changed.
func (s *Server) broadcast(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.change:
		}
		m := message("state", view(s.session.State()))
		s.mu.Lock()
		s.state = m
		for c := range s.clients {
			c.post(func(c *client) { c.state = m })
		}
		s.mu.Unlock()
	}
}

func (s *Server) level(l capture.Level) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ear == nil {
		return
	}
	m := message("level", struct {
		At      float64 `json:"at"` // s, in the stream
		Peak    float64 `json:"peak"`
		RMS     float64 `json:"rms"`
		Clipped bool    `json:"clipped"`
		Ringing bool    `json:"ringing"`
	}{float64(l.Pos) / s.ear.Rate(), round(l.PeakDB), round(l.RMSDB), l.Clipped, l.Ringing})
	for c := range s.clients {
		c.post(func(c *client) { c.level = m })
	}
}

func round(x float64) float64 { return math.Round(10*x) / 10 }

func message(kind string, body any) []byte {
	m, err := json.Marshal(map[string]any{"kind": kind, "body": body})
	if err != nil {
		panic("bench: a message can't be written: " + err.Error()) // nothing in it has another form
	}
	return m
}

// tellRoles tells every page who holds the controls, and what is heard with.
func (s *Server) tellRoles() {
	hears := ""
	if s.ear != nil {
		hears = s.ear.name
	}
	for c := range s.clients {
		m := message("role", struct {
			Holds bool   `json:"holds"` // this page
			Held  bool   `json:"held"`  // some page
			Pages int    `json:"pages"`
			Hears string `json:"hears"`
			Mine  bool   `json:"mine"` // with the microphone of this page
		}{c == s.holder, s.holder != nil, len(s.clients), hears, s.ear != nil && s.ear.owner == c})
		c.post(func(c *client) { c.role = m })
	}
}

// live serves one page as long as it is open.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	if r.Header.Get("Upgrade") == "" {
		http.Error(w, "This address is for the pages of the bench.", http.StatusUpgradeRequired)
		return
	}
	c := &client{wake: make(chan struct{}, 1)}
	s.mu.Lock()
	if len(s.clients) >= mostClients {
		s.mu.Unlock()
		s.guard.log("refused a page from %s: %d are open", r.RemoteAddr, mostClients)
		http.Error(w, "Too many pages of this bench are open: close some.", http.StatusServiceUnavailable)
		return
	}
	s.clients[c] = true // counted before it is accepted, so that many at once can't slip in
	s.mu.Unlock()
	defer s.leave(c)
	conn, err := websocket.Accept(w, r, &websocket.AcceptOptions{CompressionMode: websocket.CompressionDisabled})
	if err != nil {
		s.guard.log("refused a page from %s: %v", r.RemoteAddr, err)
		return
	}
	defer conn.CloseNow()
	conn.SetReadLimit(frameLimit)
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	s.mu.Lock()
	c.conn = conn
	state := s.state
	s.tellRoles()
	s.mu.Unlock()
	c.post(func(c *client) {
		if c.state == nil {
			c.state = state
		}
	})
	go func() {
		defer cancel()
		c.write(ctx)
	}()
	err = s.read(ctx, c)
	switch {
	case errors.Is(err, websocket.ErrMessageTooBig):
		s.guard.log("closed a page from %s: it sent more than %d bytes at once", r.RemoteAddr, frameLimit)
	case errors.As(err, new(badMessage)):
		s.guard.log("closed a page from %s: %v", r.RemoteAddr, err)
		conn.Close(websocket.StatusPolicyViolation, "this is not a message of the bench's page")
	}
}

// write sends until the page is gone, and asks now and then whether it still is there.
func (c *client) write(ctx context.Context) {
	ping := time.NewTicker(15 * time.Second)
	defer ping.Stop()
	limited := func(do func(context.Context) error) error {
		ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
		defer cancel()
		return do(ctx)
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-ping.C:
			if limited(c.conn.Ping) != nil {
				return
			}
		case <-c.wake:
			for _, m := range c.outgoing() {
				if limited(func(ctx context.Context) error { return c.conn.Write(ctx, websocket.MessageText, m) }) != nil {
					return
				}
			}
		}
	}
}

// badMessage is what no page of this server sends.
type badMessage struct{ error }

// read carries out what a page asks for, until it is gone.
func (s *Server) read(ctx context.Context, c *client) error {
	for {
		kind, data, err := c.conn.Read(ctx)
		if err != nil {
			return err
		}
		if kind == websocket.MessageBinary {
			if p := s.phoneOf(c); p != nil && !p.put(data) {
				return badMessage{errors.New("it sent sound that is none")}
			}
			continue
		}
		var ask request
		dec := json.NewDecoder(bytes.NewReader(data))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&ask); err != nil {
			return badMessage{errors.New("it sent a message that can't be read")}
		}
		answer := struct {
			ID    int    `json:"id"`
			Error string `json:"error,omitempty"`
			Doubt string `json:"doubt,omitempty"`
			Later bool   `json:"later,omitempty"` // it is kept and tried again
		}{ID: ask.ID}
		if err := s.carryOut(ctx, c, ask); err != nil {
			var doubt Doubt
			if errors.As(err, &doubt) {
				answer.Doubt = doubt.Text
			} else {
				answer.Error, answer.Later = filefault.Text(err), errors.As(err, new(Unsaved))
			}
		}
		m := message("answer", answer)
		c.post(func(c *client) { c.answers = append(c.answers, m) })
	}
}

// request is what a page asks for.
type request struct {
	ID    int     `json:"id"`
	Do    string  `json:"do"` // take, give, phone, device, quiet, cue, order, set, hands free
	Order Order   `json:"order"`
	Blank string  `json:"blank"`
	Field string  `json:"field"`
	Text  string  `json:"text"`
	Sure  bool    `json:"sure"`
	Taps  int     `json:"taps"`
	Phone phoneAd `json:"phone"`
	S     float64 `json:"s"` // how long a signal sounds
	Name  string  `json:"name"`
}

// phoneAd is what a page says of its microphone.
type phoneAd struct {
	Rate      float64 `json:"rate"`
	TrackRate float64 `json:"track_rate"` // 0 = unknown
	Label     string  `json:"label"`
	Echo      string  `json:"echo"` // on, off or unknown
	Noise     string  `json:"noise"`
	Gain      string  `json:"gain"`
}

func (s *Server) carryOut(ctx context.Context, c *client, ask request) error {
	if ask.Do == "take" {
		s.take(c)
		return nil
	}
	s.mu.Lock()
	holds := s.holder == c
	s.mu.Unlock()
	if !holds {
		return errors.New("another page holds the controls: take them over first")
	}
	switch ask.Do {
	case "order":
		return s.session.Order(ask.Order, ask.Text)
	case "set":
		if len(ask.Text) > 2000 {
			return errors.New("this is too long for a field")
		}
		return s.session.Set(ask.Blank, ask.Field, ask.Text, ask.Sure)
	case "hands free":
		if ask.Taps < 0 || ask.Taps > 20 {
			return errors.New("give 1 to 20 good taps per blank, or 0 to go on by hand")
		}
		return s.session.HandsFree(ask.Taps)
	case "phone":
		return s.usePhone(c, ask.Phone)
	case "device":
		return s.useDevice(ask.Name)
	case "quiet":
		s.stopEar(io.EOF)
		return nil
	case "cue":
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.ear != nil && ask.S > 0 {
			s.ear.plug(min(ask.S, 2))
		}
		return nil
	}
	return errors.New("the bench can't do this")
}

// take gives the controls to a page. The microphone of the page that had them falls
// silent.
func (s *Server) take(c *client) {
	s.mu.Lock()
	old := s.holder
	s.holder = c
	foreign := s.ear != nil && s.ear.owner != nil && s.ear.owner != c
	s.mu.Unlock()
	if old != c && foreign {
		s.stopEar(io.EOF)
	}
	s.mu.Lock()
	s.tellRoles()
	s.mu.Unlock()
}

// leave forgets a page that is gone.
func (s *Server) leave(c *client) {
	s.mu.Lock()
	delete(s.clients, c)
	if s.holder == c {
		s.holder = nil
	}
	its := s.ear != nil && s.ear.owner == c
	s.tellRoles()
	s.mu.Unlock()
	if its {
		s.stopEar(errPageGone)
	}
}

// phoneOf is the microphone of a page, if it is the one that is heard.
func (s *Server) phoneOf(c *client) *phone {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ear == nil || s.ear.owner != c {
		return nil
	}
	p, _ := s.ear.Source.(*phone)
	return p
}

func (s *Server) usePhone(c *client, ad phoneAd) error {
	if !(ad.Rate >= 8000 && ad.Rate <= 768000) {
		return fmt.Errorf("a microphone with %g samples per second can't be used", ad.Rate)
	}
	return s.hear(newPhone(ad.Rate), ad.rig(), c)
}

// rig tells what the microphone of a page may do to the sound. What is
// unknown counts as done.
func (ad phoneAd) rig() Rig {
	label := strings.TrimSpace(ad.Label)
	if label == "" {
		label = "without a name"
	}
	if r := []rune(label); len(r) > 100 {
		label = string(r[:100])
	}
	rig := Rig{Device: label, API: "browser"}
	for _, x := range []struct{ state, code, name, does string }{
		{ad.Echo, "echo cancellation", "echo cancellation", "takes parts of the ring away"},
		{ad.Noise, "noise suppression", "noise suppression", "cuts the end of the ring off"},
		{ad.Gain, "automatic gain", "automatic gain control", "makes the ring seem longer"},
	} {
		if x.state == "off" {
			continue
		}
		how := "is on"
		if x.state != "on" {
			how = "may be on, the browser does not say"
		}
		rig.Doubts = append(rig.Doubts, capture.Warning{Code: x.code,
			Text: fmt.Sprintf("the microphone's %s %s; it %s: switch it off in the system's sound settings, or use another browser or microphone", x.name, how, x.does)})
	}
	if ad.TrackRate > 0 && ad.TrackRate != ad.Rate {
		rig.Doubts = append(rig.Doubts, capture.Warning{Code: "resampled",
			Text: fmt.Sprintf("the browser turned the microphone's %g samples per second into %g", ad.TrackRate, ad.Rate)})
	}
	return rig
}

func (s *Server) useDevice(name string) error {
	for _, d := range s.opt.Devices {
		if d.Name != name {
			continue
		}
		s.stopEar(io.EOF)
		source, rig, err := d.Open()
		if err != nil {
			return err
		}
		return s.hear(source, rig, nil)
	}
	return errors.New("this computer has no such microphone: start the bench again once it is plugged in")
}

// hear lets the session hear a source instead of what it heard before.
func (s *Server) hear(source capture.Source, rig Rig, owner *client) error {
	s.stopEar(io.EOF)
	ctx, cancel := context.WithCancel(context.Background())
	e := &ear{Source: source, name: rig.Device, owner: owner, cancel: cancel, done: make(chan struct{})}
	s.mu.Lock()
	if s.ear != nil || owner != nil && s.holder != owner {
		s.mu.Unlock()
		cancel()
		source.Close()
		return errors.New("another page was quicker")
	}
	s.ear = e
	s.tellRoles()
	s.mu.Unlock()
	go func() {
		defer close(e.done)
		defer cancel()
		err := s.session.Hear(ctx, e, rig) // whose state says why it ended
		if err != nil && !errors.Is(err, context.Canceled) && s.opt.Log != nil {
			s.opt.Log("%s: %v", rig.Device, err)
		}
		source.Close()
		s.mu.Lock()
		if s.ear == e {
			s.ear = nil
		}
		s.tellRoles()
		s.mu.Unlock()
		s.changed()
	}()
	return nil
}

// stopEar ends hearing and waits until what was heard is kept.
func (s *Server) stopEar(why error) {
	s.mu.Lock()
	e := s.ear
	s.mu.Unlock()
	if e == nil {
		return
	}
	if p, ok := e.Source.(*phone); ok {
		p.hangUp(why)
	} else {
		e.cancel()
	}
	select {
	case <-e.done:
	case <-time.After(5 * time.Second):
		e.cancel()
		<-e.done
	}
}

// closeAll ends all pages when the server ends.
func (s *Server) closeAll() {
	s.stopEar(io.EOF)
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.clients {
		if c.conn != nil {
			go c.conn.Close(websocket.StatusGoingAway, "the bench was stopped")
		}
	}
}
