package bench

import (
	"net/http"
	"net/http/httptest"
	"testing"
)

// TestGuardReadsTheCookie: only the token itself opens, in the cookie as in the address,
// and no page may be framed by another.
func TestGuardReadsTheCookie(t *testing.T) {
	g := guard{token: "secret-of-the-test", hosts: func(string) bool { return true }, log: func(string, ...any) {}}
	h := g.protect(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }))
	for value, want := range map[string]int{
		"secret-of-the-test": http.StatusNoContent, "secret-of-the-tesT": http.StatusForbidden,
		"wrong": http.StatusForbidden, "": http.StatusForbidden,
	} {
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8030/stock", nil)
		r.AddCookie(&http.Cookie{Name: "ringstock-bench-8030", Value: value})
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("cookie %q: status %d, want %d", value, w.Code, want)
		}
		if w.Header().Get("X-Frame-Options") != "DENY" {
			t.Errorf("cookie %q: the answer may be framed", value)
		}
	}
}
