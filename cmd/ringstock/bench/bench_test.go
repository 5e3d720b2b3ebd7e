package bench

import (
	"bufio"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/coder/websocket"

	"ringstock/capture"
	"ringstock/grading"
	"ringstock/grading/stock"
)

// fake is a session that only remembers what it was asked.
type fake struct {
	mu      sync.Mutex
	st      State
	asked   []string
	changed func()
	level   func(capture.Level)
	heard   []float64
	lost    int
	rigs    []Rig
	ended   []error
}

func (f *fake) State() State {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.st
}
func (f *fake) Watch(c func(), l func(capture.Level)) { f.changed, f.level = c, l }
func (f *fake) note(format string, a ...any) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked = append(f.asked, fmt.Sprintf(format, a...))
	return nil
}
func (f *fake) Order(o Order, blank string) error { return f.note("%s %s", o, blank) }
func (f *fake) HandsFree(n int) error             { return f.note("hands free %d", n) }
func (f *fake) Set(blank, field, text string, sure bool) error {
	if field == "height_mm" && text == "140" && !sure {
		return Doubt{"a height of 140 mm is unusual"}
	}
	if field == "nonsense" {
		return errors.New("there is no field")
	}
	return f.note("set %s %s %s", blank, field, text)
}
func (f *fake) Hear(ctx context.Context, src capture.Source, rig Rig) (err error) {
	f.mu.Lock()
	f.rigs = append(f.rigs, rig)
	f.mu.Unlock()
	var b capture.Block
	for ctx.Err() == nil {
		if err = src.Read(&b); err != nil {
			break
		}
		f.mu.Lock()
		f.heard = append(f.heard, b.Samples...)
		f.lost += b.Lost
		f.mu.Unlock()
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.ended = append(f.ended, err)
	if err == io.EOF {
		return nil
	}
	return err
}
func (f *fake) was() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string{}, f.asked...)
}

// bencher is a bench that runs, with what it logged.
type bencher struct {
	*Server
	f    *fake
	host string
	mu   sync.Mutex
	log  []string
}

func (b *bencher) logged(part string) (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, l := range b.log {
		if strings.Contains(l, part) {
			n++
		}
	}
	return n
}

func start(t *testing.T, opt Options) *bencher {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &bencher{f: &fake{st: State{Delivery: "test", Now: grading.Blank{Blank: "A001"}, Face: TheFace}}, host: l.Addr().String()}
	opt.Log = func(format string, args ...any) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.log = append(b.log, fmt.Sprintf(format, args...))
	}
	if opt.Hosts == nil {
		opt.Hosts = LocalHosts(net.IPv4(127, 0, 0, 1), "")
	}
	if opt.Stock == nil {
		opt.Stock = func(context.Context) (*stock.Store, error) { return nil, stock.ErrNone }
	}
	b.Server = New(b.f, opt)
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- b.Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-served; err != nil {
			t.Errorf("the server ended with %v", err)
		}
	})
	return b
}

// line is a page's line to the bench.
type line struct {
	t *testing.T
	c *websocket.Conn
	n int
}

func (b *bencher) dial(t *testing.T) *line {
	t.Helper()
	c, _, err := websocket.Dial(t.Context(), "ws://"+b.host+"/live", &websocket.DialOptions{HTTPHeader: http.Header{"Origin": {"http://" + b.host}}})
	if err != nil {
		t.Fatal(err)
	}
	c.SetReadLimit(1 << 20)
	t.Cleanup(func() { c.CloseNow() })
	return &line{t: t, c: c}
}

type told struct {
	Kind string          `json:"kind"`
	Body json.RawMessage `json:"body"`
}

// ask sends a request and gives the answer.
func (l *line) ask(request map[string]any) (e, doubt string) {
	l.t.Helper()
	l.n++
	request["id"] = l.n
	text, _ := json.Marshal(request)
	if err := l.c.Write(l.t.Context(), websocket.MessageText, text); err != nil {
		l.t.Fatal(err)
	}
	for {
		m := l.next("answer")
		var a struct {
			ID           int
			Error, Doubt string
		}
		if err := json.Unmarshal(m, &a); err != nil {
			l.t.Fatal(err)
		}
		if a.ID == l.n {
			return a.Error, a.Doubt
		}
	}
}

// next is the next message of a kind.
func (l *line) next(kind string) json.RawMessage {
	l.t.Helper()
	ctx, cancel := context.WithTimeout(l.t.Context(), 10*time.Second)
	defer cancel()
	for {
		_, data, err := l.c.Read(ctx)
		if err != nil {
			l.t.Fatalf("waiting for %s: %v", kind, err)
		}
		var m told
		if err := json.Unmarshal(data, &m); err != nil {
			l.t.Fatal(err)
		}
		if m.Kind == kind {
			return m.Body
		}
	}
}

func TestStrangersAreRefused(t *testing.T) {
	for _, c := range []struct {
		name, method, path, host string
		header                   map[string]string
		want                     int
	}{
		{"own page", "GET", "/", "", nil, 200},
		{"by another name of this computer", "GET", "/", "localhost:PORT", nil, 200},
		{"name that points here", "GET", "/", "evil.example", nil, http.StatusMisdirectedRequest},
		{"name that points here, with port", "GET", "/", "evil.example:PORT", nil, http.StatusMisdirectedRequest},
		{"name that begins like ours", "GET", "/", "127.0.0.1.evil.example:PORT", nil, http.StatusMisdirectedRequest},
		{"another address", "GET", "/", "192.0.2.7:PORT", nil, http.StatusMisdirectedRequest},
		{"header in the name", "GET", "/", "a b", nil, http.StatusBadRequest},
		{"link from elsewhere", "GET", "/", "", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, 200},
		{"script from elsewhere reads", "GET", "/stock", "", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "script"}, 403},
		{"another port of this computer reads", "GET", "/stock", "", map[string]string{"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors", "Origin": "http://127.0.0.1:1"}, 403},
		{"frame elsewhere", "GET", "/", "", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"}, 403},
		{"form elsewhere", "POST", "/stock/x", "", map[string]string{"Origin": "http://evil.example"}, 403},
		{"form of an opaque origin", "POST", "/stock/x", "", map[string]string{"Origin": "null"}, 403},
		{"form of no origin", "POST", "/stock/x", "", nil, 403},
		{"form elsewhere, same host with https", "POST", "/stock/x", "", map[string]string{"Origin": "https://HOST"}, 403},
		{"live line of no origin", "GET", "/live", "", map[string]string{"Upgrade": "websocket", "Connection": "Upgrade"}, 403},
		{"live line of another site", "GET", "/live", "", map[string]string{"Upgrade": "websocket", "Connection": "Upgrade", "Origin": "http://evil.example"}, 403},
		{"method unknown", "DELETE", "/stock/x", "", map[string]string{"Origin": "http://HOST"}, 405},
		{"file", "GET", "/../../etc/passwd", "", nil, 404},
		{"file, disguised", "GET", "/stock/..%2f..%2fetc%2fpasswd", "", nil, 200}, // the name of a stick
		{"source", "GET", "/assets/bench.html", "", nil, 404},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := start(t, Options{})
			_, port, _ := net.SplitHostPort(b.host)
			fill := strings.NewReplacer("PORT", port, "HOST", b.host).Replace
			host := b.host
			if c.host != "" {
				host = fill(c.host)
			}
			// By hand, so that no client tidies the request up.
			conn, err := net.Dial("tcp", b.host)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			text := fmt.Sprintf("%s %s HTTP/1.1\r\nHost: %s\r\nContent-Length: 0\r\n", c.method, c.path, host)
			for k, v := range c.header {
				text += k + ": " + fill(v) + "\r\n"
			}
			if _, err := io.WriteString(conn, text+"\r\n"); err != nil {
				t.Fatal(err)
			}
			got, err := http.ReadResponse(bufio.NewReader(conn), nil)
			if err != nil {
				t.Fatal(err)
			}
			body, _ := io.ReadAll(got.Body)
			got.Body.Close()
			if got.StatusCode >= 300 && got.StatusCode < 400 {
				got.StatusCode = 404 // a path that is none is sent to what it would be
			}
			if got.StatusCode != c.want {
				t.Errorf("%d, want %d: %s", got.StatusCode, c.want, body)
			}
			if strings.Contains(string(body), "root:") {
				t.Error("it gave away a file")
			}
			if (c.want == 403 || c.want == http.StatusMisdirectedRequest) && b.logged("refused") != 1 {
				t.Errorf("the log has %q", b.log)
			}
			if csp := got.Header.Get("Content-Security-Policy"); (!strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "evil") && c.want == 200) && c.want != http.StatusBadRequest {
				t.Errorf("the policy is %q", csp)
			}
		})
	}
}

// Beyond loopback nothing is shown without the token.
func TestToken(t *testing.T) {
	b := start(t, Options{Token: "secret-of-the-test"})
	jar := map[string]string{}
	get := func(path string) *http.Response {
		t.Helper()
		r, _ := http.NewRequest("GET", "http://"+b.host+path, nil)
		for k, v := range jar {
			r.AddCookie(&http.Cookie{Name: k, Value: v})
		}
		w, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			t.Fatal(err)
		}
		w.Body.Close()
		for _, c := range w.Cookies() {
			if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode {
				t.Errorf("the cookie can be read or sent from elsewhere: %v", c)
			}
			jar[c.Name] = c.Value
		}
		return w
	}
	for _, path := range []string{"/", "/bench.js", "/stock", "/?token=", "/?token=wrong", "/?token=secret-of-the-tes"} {
		if w := get(path); w.StatusCode != 403 {
			t.Errorf("%s: %d, want 403", path, w.StatusCode)
		}
	}
	if w := get("/?token=secret-of-the-test"); w.StatusCode != 200 || len(w.Cookies()) != 1 {
		t.Errorf("with the token: %d, cookies %v", w.StatusCode, w.Cookies())
	}
	for _, path := range []string{"/", "/bench.js"} {
		if w := get(path); w.StatusCode != 200 {
			t.Errorf("%s with the cookie: %d", path, w.StatusCode)
		}
	}
	if _, _, err := websocket.Dial(t.Context(), "ws://"+b.host+"/live", &websocket.DialOptions{HTTPHeader: http.Header{"Origin": {"http://" + b.host}}}); err == nil {
		t.Error("the live line opens without the token")
	}
}

func TestLocalHosts(t *testing.T) {
	loop, all := net.IPv4(127, 0, 0, 1), net.IPv4zero
	for _, c := range []struct {
		at   net.IP
		name string
		host string
		want bool
	}{
		{loop, "127.0.0.1", "localhost", true}, {loop, "127.0.0.1", "::1", true}, {loop, "127.0.0.1", "0.0.0.0", false},
		{loop, "127.0.0.1", "192.0.2.1", false}, {loop, "127.0.0.1", "evil.example", false}, {loop, "bench.example", "bench.example", true},
		{all, "0.0.0.0", "192.0.2.1", false}, {all, "0.0.0.0", "evil.example", false}, {all, "", "", false},
		{net.ParseIP("192.0.2.1"), "192.0.2.1", "192.0.2.1", true},
	} {
		if got := LocalHosts(c.at, c.name)(c.host); got != c.want {
			t.Errorf("listening on %v by the name %q, called %q: %v", c.at, c.name, c.host, got)
		}
	}
}

// 200 connections at once: most are closed, none is kept waiting, and the bench works on.
func TestManyConnections(t *testing.T) {
	b := start(t, Options{})
	var open []net.Conn
	for range 200 {
		c, err := net.Dial("tcp", b.host)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		open = append(open, c)
	}
	alive := 0
	for _, c := range open {
		c.SetDeadline(time.Now().Add(5 * time.Second))
		fmt.Fprintf(c, "GET /icon.svg HTTP/1.1\r\nHost: %s\r\n\r\n", b.host)
		if n, err := c.Read(make([]byte, 1)); n == 1 && err == nil {
			alive++
		}
	}
	if alive != mostConnections {
		t.Errorf("%d connections were served, want %d", alive, mostConnections)
	}
	if b.logged("refused a connection") == 0 {
		t.Error("nothing was logged")
	}
	for _, c := range open {
		c.Close()
	}
	for i := 0; ; i++ {
		w, err := http.Get("http://" + b.host + "/")
		if err == nil {
			w.Body.Close()
			break
		}
		if i == 100 {
			t.Fatalf("after they were closed: %v", err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func TestManyPages(t *testing.T) {
	b := start(t, Options{})
	for range mostClients {
		b.dial(t)
	}
	_, w, err := websocket.Dial(t.Context(), "ws://"+b.host+"/live", &websocket.DialOptions{HTTPHeader: http.Header{"Origin": {"http://" + b.host}}})
	if err == nil || w == nil || w.StatusCode != 503 || b.logged("refused a page") != 1 {
		t.Errorf("one page too many: %v, %v, log %q", w, err, b.log)
	}
}

func TestOversizedAndSenseless(t *testing.T) {
	for _, c := range []struct {
		name string
		kind websocket.MessageType
		data []byte
		log  string
	}{
		{"text too long", websocket.MessageText, []byte(`{"do":"` + strings.Repeat("x", frameLimit) + `"}`), "more than"},
		{"sound too long", websocket.MessageBinary, make([]byte, frameLimit+1), "more than"},
		{"no JSON", websocket.MessageText, []byte("hello"), "can't be read"},
		{"unknown field", websocket.MessageText, []byte(`{"do":"take","path":"/etc/passwd"}`), "can't be read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := start(t, Options{})
			l := b.dial(t)
			if err := l.c.Write(t.Context(), c.kind, c.data); err != nil {
				t.Fatal(err)
			}
			for {
				if _, _, err := l.c.Read(t.Context()); err != nil {
					break
				}
			}
			for i := 0; b.logged(c.log) == 0; i++ {
				if i == 200 {
					t.Fatalf("the log has %q", b.log)
				}
				time.Sleep(10 * time.Millisecond)
			}
			b.dial(t).next("state") // and it works on
		})
	}
	t.Run("form too long", func(t *testing.T) {
		dir := t.TempDir()
		b := start(t, Options{Stock: func(ctx context.Context) (*stock.Store, error) {
			return stock.Open(ctx, stock.Options{Dir: dir, Now: time.Now, Create: true})
		}})
		body := strings.NewReader(url.Values{"place": {strings.Repeat("x", formLimit)}}.Encode())
		r, _ := http.NewRequest("POST", "http://"+b.host+"/stock/abc", body)
		r.Header.Set("Origin", "http://"+b.host)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		w.Body.Close()
		if w.StatusCode != 400 {
			t.Errorf("status %d, want 400", w.StatusCode)
		}
	})
}

// Only the page that holds the controls has a say; a second tab can take them over.
func TestOneHolder(t *testing.T) {
	b := start(t, Options{})
	one, two := b.dial(t), b.dial(t)
	if e, _ := two.ask(map[string]any{"do": "order", "order": "next"}); e == "" {
		t.Error("a page without the controls gave an order")
	}
	one.ask(map[string]any{"do": "take"})
	if e, _ := one.ask(map[string]any{"do": "order", "order": "next"}); e != "" {
		t.Error(e)
	}
	if e, _ := two.ask(map[string]any{"do": "order", "order": "next"}); !strings.Contains(e, "another page") {
		t.Errorf("the second page was told %q", e)
	}
	two.ask(map[string]any{"do": "take"})
	if e, _ := one.ask(map[string]any{"do": "order", "order": "drop"}); e == "" {
		t.Error("the first page still has a say")
	}
	if got := b.f.was(); len(got) != 1 || got[0] != "next " {
		t.Errorf("the session was asked %q, want next once", got)
	}
	if e, d := two.ask(map[string]any{"do": "set", "blank": "A001", "field": "height_mm", "text": "140"}); e != "" || d == "" {
		t.Errorf("an unusual value: error %q, doubt %q", e, d)
	}
	if e, d := two.ask(map[string]any{"do": "set", "blank": "A001", "field": "height_mm", "text": "140", "sure": true}); e != "" || d != "" {
		t.Errorf("the same, sure: error %q, doubt %q", e, d)
	}
	if e, _ := two.ask(map[string]any{"do": "set", "field": "nonsense"}); e == "" {
		t.Error("a field that does not exist was set")
	}
	if e, _ := two.ask(map[string]any{"do": "format the disk"}); e == "" {
		t.Error("it can do anything")
	}
}

func sound(pos uint64, x ...float32) []byte {
	m := binary.LittleEndian.AppendUint64(nil, pos)
	for _, v := range x {
		m = binary.LittleEndian.AppendUint32(m, math.Float32bits(v))
	}
	return m
}

// Sound of a page goes to the session: once, in order, with what got lost counted; only
// from the page whose microphone it is.
func TestPhone(t *testing.T) {
	b := start(t, Options{})
	l, other := b.dial(t), b.dial(t)
	l.ask(map[string]any{"do": "take"})
	ad := map[string]any{"rate": 48000, "track_rate": 44100, "label": "test", "echo": "off", "noise": "unknown", "gain": "on"}
	if e, _ := l.ask(map[string]any{"do": "phone", "phone": map[string]any{"rate": 1e9}}); e == "" {
		t.Error("a billion samples per second are heard")
	}
	if e, _ := l.ask(map[string]any{"do": "phone", "phone": ad}); e != "" {
		t.Fatal(e)
	}
	for _, m := range [][]byte{sound(1000, 0, 0, .1, .2), sound(1004, .3), sound(1004, .3, .4), sound(1010, .5, 7)} {
		if err := l.c.Write(t.Context(), websocket.MessageBinary, m); err != nil {
			t.Fatal(err)
		}
	}
	if err := other.c.Write(t.Context(), websocket.MessageBinary, sound(0, 1, 1, 1)); err != nil {
		t.Fatal(err)
	}
	want := []float64{.1, .2, .3, .4, .5, 1}
	for i := 0; ; i++ {
		b.f.mu.Lock()
		got, lost, rigs := b.f.heard, b.f.lost, b.f.rigs
		b.f.mu.Unlock()
		if len(got) >= len(want) {
			for k := range want {
				if len(got) != len(want) || math.Abs(got[k]-want[k]) > 1e-6 {
					t.Fatalf("heard %v, want %v", got, want)
				}
			}
			if lost != 4 {
				t.Errorf("%d lost, want 4", lost)
			}
			codes := []string{}
			for _, d := range rigs[0].Doubts {
				codes = append(codes, d.Code)
			}
			if s := strings.Join(codes, ","); s != "noise suppression,automatic gain,resampled" {
				t.Errorf("doubts about the microphone: %s", s)
			}
			break
		}
		if i == 500 {
			t.Fatalf("heard %v", got)
		}
		time.Sleep(10 * time.Millisecond)
	}
	l.c.CloseNow()
	for i := 0; ; i++ {
		b.f.mu.Lock()
		ended := b.f.ended
		b.f.mu.Unlock()
		if len(ended) == 1 {
			if !errors.Is(ended[0], errPageGone) {
				t.Errorf("the session was told %v", ended[0])
			}
			break
		}
		if i == 500 {
			t.Fatal("the session still listens to a page that is gone")
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func TestPhoneRefusesNonsense(t *testing.T) {
	p := newPhone(48000)
	for _, m := range [][]byte{nil, {1}, make([]byte, 9), sound(1 << 60), sound(0, float32(math.NaN())), sound(0, float32(math.Inf(1)))} {
		if p.put(m) {
			t.Errorf("%v was taken for sound", m)
		}
	}
}

func FuzzPhone(f *testing.F) {
	f.Add(sound(0, 1, 2, 3), sound(2, 1))
	f.Add(sound(9, .5), []byte{})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		p := newPhone(48000)
		p.put(a)
		p.put(b)
		p.hangUp(io.EOF)
		var block capture.Block
		var at int64
		for {
			if err := p.Read(&block); err != nil {
				return
			}
			if len(block.Samples) == 0 {
				continue
			}
			if block.Pos < at || block.Lost < 0 {
				t.Fatalf("from %d back to %d, %d lost", at, block.Pos, block.Lost)
			}
			at = block.Pos + int64(len(block.Samples))
			for _, x := range block.Samples {
				if !(x >= -1 && x <= 1) {
					t.Fatalf("sample %v", x)
				}
			}
		}
	})
}

// What sounds while the ear is deaf is left out and counted as lost.
func TestDeafWhileASignalSounds(t *testing.T) {
	x := make([]float64, 1000)
	for i := range x {
		x[i] = float64(i)
	}
	e := &ear{Source: capture.Play(x, 1000, 64)}
	e.plug(.2)
	var b capture.Block
	next, lost := 0, 0
	for {
		if err := e.Read(&b); err != nil {
			break
		}
		if len(b.Samples) == 0 {
			if b.Lost != 0 {
				t.Fatal("a loss was told without what comes after it")
			}
			continue
		}
		next += b.Lost
		lost += b.Lost
		if int(b.Pos) != next || b.Samples[0] != float64(next) {
			t.Fatalf("block at %d begins with %v, want %d", b.Pos, b.Samples[0], next)
		}
		next += len(b.Samples)
	}
	if lost != 200 || next != 1000 {
		t.Errorf("%d lost of %d", lost, next)
	}
}

// Names are shown as they are, never as html.
func TestNamesAreEscaped(t *testing.T) {
	const evil = `<script>alert(1)</script>"><img src=x onerror=alert(1)>`
	b := start(t, Options{Devices: []Device{{Name: evil}}})
	b.f.mu.Lock()
	b.f.st.Delivery = evil
	b.f.mu.Unlock()
	for _, path := range []string{"/", "/stock", "/statement", "/nowhere"} {
		w := httptest.NewRecorder()
		r := httptest.NewRequest("GET", path, nil)
		r.Host = "localhost"
		b.ServeHTTP(w, r)
		if body := w.Body.String(); strings.Contains(body, "<script>alert") || strings.Contains(body, "<img") || !strings.Contains(body, "&lt;script&gt;") {
			t.Errorf("%s shows the name raw, or not at all:\n%s", path, body)
		}
	}
}

// The log stays readable under a flood.
func TestLimitedLog(t *testing.T) {
	n := 0
	log := limitedLog(func(string, ...any) { n++ })
	for range 1000 {
		log("x")
	}
	if n != 109 {
		t.Errorf("%d lines of 1000", n)
	}
}

// Every figure that a page shows has its "?", and what it shows is in the manual.
func TestFiguresAreExplained(t *testing.T) {
	for figure, name := range wordsOf {
		if _, err := helpID(name); err != nil {
			t.Errorf("%s: %v", figure, err)
		}
	}
	if _, err := helpID("nonsense"); err == nil {
		t.Error("a word that the manual has not is explained")
	}
}
