package bench

import (
	"crypto/subtle"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
)

// Limits of what pages may ask for.
const (
	mostConnections = 64
	mostClients     = 24       // pages that look on
	formLimit       = 16 << 10 // bytes of a form
	tableLimit      = 2 << 20  // bytes of entries
	fileLimit       = 1 << 30  // bytes of a recording, a paper, another stock
	frameLimit      = 64 << 10 // bytes of one message from a page
)

// guard keeps strangers out: other web sites that the maker's browser visits, and, with a
// token, other people in the network.
type guard struct {
	token string
	hosts func(string) bool
	log   func(format string, args ...any)
}

// protect refuses what does not come from a page of this server.
//
// A foreign site that has its name point to this computer (DNS rebinding) is found out by
// the name it is called by; one that sends requests across sites, by Origin and
// Sec-Fetch-Site, which no page can forge.
func (g guard) protect(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		harden(w.Header(), r.Host)
		refuse := func(status int, why, say string) {
			g.log("refused %s %q from %s: %s", r.Method, r.URL.Path, r.RemoteAddr, why)
			http.Error(w, say, status)
		}
		host, _, err := net.SplitHostPort(r.Host)
		if err != nil {
			host = r.Host
		}
		if !g.hosts(strings.Trim(host, "[]")) {
			refuse(http.StatusMisdirectedRequest, "it was called "+quote(r.Host), "This is not the name of this bench: use the address that was printed at its start.")
			return
		}
		if why := foreign(r); why != "" {
			refuse(http.StatusForbidden, why, "Requests from other sites are refused.")
			return
		}
		if g.token != "" && !g.admit(w, r) {
			refuse(http.StatusForbidden, "without the token", "This bench opens by the address with its token, which was printed at its start.")
			return
		}
		if g.token != "" && r.URL.Query().Has("token") {
			// A redirect would still count as coming from the page or mail in which the
			// link stood, and the cookie would not be sent along; a page that goes on by
			// itself comes from here.
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			io.WriteString(w, `<!doctype html><html lang="en"><meta http-equiv="refresh" content="0;url=/"><link rel="icon" href="/icon.svg"><title>Bench</title><p><a href="/">To the bench</a>`)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, limitOf(r))
		next.ServeHTTP(w, r)
	})
}

// limitOf is how many bytes a request may bring: a recording, a table, or a form.
func limitOf(r *http.Request) int64 {
	switch {
	case r.Method != http.MethodPost:
		return formLimit
	case strings.HasPrefix(r.URL.Path, "/delivery/") && strings.HasSuffix(r.URL.Path, "/sound"), strings.HasPrefix(r.URL.Path, "/do/"):
		return fileLimit
	case strings.HasPrefix(r.URL.Path, "/delivery/"):
		return tableLimit
	}
	return formLimit
}

// foreign says by what a request is known to come from another site; empty if it does
// not.
func foreign(r *http.Request) string {
	changes := r.Method != http.MethodGet && r.Method != http.MethodHead
	socket := r.Header.Get("Upgrade") != ""
	origin := r.Header.Get("Origin")
	if origin != "" {
		if u, err := url.Parse(origin); err != nil || u.Scheme != "http" || !strings.EqualFold(u.Host, r.Host) {
			return "its origin is " + quote(origin)
		}
	} else if changes || socket {
		return "it names no origin"
	}
	switch site := r.Header.Get("Sec-Fetch-Site"); site {
	case "", "same-origin", "none":
	default:
		// A link from elsewhere may lead here; nothing else may.
		if changes || socket || r.Header.Get("Sec-Fetch-Mode") != "navigate" || r.Header.Get("Sec-Fetch-Dest") != "document" {
			return "it comes from another site"
		}
	}
	return ""
}

// admit tells whether a request has the token, in its address or in the cookie
// that the address gave.
func (g guard) admit(w http.ResponseWriter, r *http.Request) bool {
	_, port, _ := net.SplitHostPort(r.Host)
	name := "ringstock-bench-" + port // cookies are shared by all ports of a host
	same := func(s string) bool { return subtle.ConstantTimeCompare([]byte(s), []byte(g.token)) == 1 }
	if t := r.URL.Query().Get("token"); t != "" && same(t) {
		http.SetCookie(w, &http.Cookie{Name: name, Value: t, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
		return true
	}
	c, err := r.Cookie(name)
	return err == nil && same(c.Value)
}

// harden lets pages load nothing but what this server has, and nobody else look into
// them.
func harden(h http.Header, host string) {
	socket := ""
	if validHost(host) {
		socket = " ws://" + host // which 'self' leaves out in some browsers
	}
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; worker-src 'self'; frame-src 'self'; media-src 'self'; connect-src 'self'"+socket+
		"; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "same-origin") // without it a form has no Origin
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "microphone=(self), camera=(), geolocation=()")
	h.Set("Cache-Control", "no-store")
}

// validHost tells whether a host can stand in a header without ending what it stands in.
func validHost(host string) bool {
	for _, c := range host {
		if (c < '0' || c > '9') && (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && !strings.ContainsRune(".:-[]", c) {
			return false
		}
	}
	return host != ""
}

// LocalHosts are the names of a server that listens on an address: for a loopback address
// those of this computer for itself; for another one also its addresses in the networks
// it is in, and the name it was given.
func LocalHosts(listening net.IP, name string) func(string) bool {
	return func(host string) bool {
		if strings.EqualFold(host, "localhost") || name != "" && strings.EqualFold(host, name) {
			return true
		}
		// An address is no name, so nobody can have it point elsewhere.
		ip := net.ParseIP(host)
		if ip == nil {
			return false
		}
		if ip.IsLoopback() {
			return true
		}
		if listening.IsLoopback() {
			return false
		}
		if ip.Equal(listening) {
			return true
		}
		own, err := net.InterfaceAddrs()
		if err != nil {
			return false
		}
		for _, a := range own {
			if n, ok := a.(*net.IPNet); ok && n.IP.Equal(ip) {
				return true
			}
		}
		return false
	}
}

func quote(s string) string {
	if len(s) > 80 {
		s = s[:80] + "…"
	}
	return `"` + strings.Map(func(r rune) rune {
		if r < ' ' || r == '"' || r > '~' && r != '…' {
			return '?'
		}
		return r
	}, s) + `"`
}

// limitedLog tells the first refusals, then every hundredth, so that a flood does not
// bury everything else.
func limitedLog(log func(string, ...any)) func(string, ...any) {
	var n atomic.Int64
	return func(format string, args ...any) {
		if log == nil {
			return
		}
		switch i := n.Add(1); {
		case i <= 100:
			log(format, args...)
		case i%100 == 0:
			log(format+" (%d refusals so far)", append(args, i)...)
		}
	}
}

// fewListener closes connections beyond a number at once.
type fewListener struct {
	net.Listener
	open chan struct{}
	log  func(format string, args ...any)
}

func (l fewListener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		select {
		case l.open <- struct{}{}:
			return &countedConn{Conn: c, open: l.open}, nil
		default:
			l.log("refused a connection from %s: %d are open", c.RemoteAddr(), mostConnections)
			c.Close()
		}
	}
}

type countedConn struct {
	net.Conn
	open   chan struct{}
	closed atomic.Bool
}

func (c *countedConn) Close() error {
	if c.closed.CompareAndSwap(false, true) {
		<-c.open
	}
	return c.Conn.Close()
}
