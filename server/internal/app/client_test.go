package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"sideport/annotate"
)

func TestFaultsComeBack(t *testing.T) {
	for _, tt := range []struct {
		status int
		body   string
		cause  annotate.Cause
		say    string
	}{
		{404, `{"detail":"gone"}`, annotate.Missing, "gone"},
		{403, `{"detail":"no"}`, annotate.Refused, "no"},
		{401, `{"detail":"who"}`, annotate.Refused, "who"},
		{422, `{"detail":"bad","problems":[{"path":"title","say":"none"}]}`, annotate.Invalid, "title: none"},
		{412, `{"detail":"late"}`, annotate.Conflict, "late"},
		{409, `{"detail":"late"}`, annotate.Conflict, "late"},
		{503, `{"detail":"busy"}`, annotate.Busy, "busy"},
		{500, `{"detail":"ours","reference":"abc"}`, "", "ours (reference abc)"},
		{413, `{"detail":"large"}`, "", "413 Request Entity Too Large: large"},
		{502, `<html>`, "", "the server answered 502"},
	} {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(tt.status)
			_, _ = io.WriteString(w, tt.body)
		}))
		c := client{http: server.Client(), base: server.URL}
		err := c.call(t.Context(), "GET", "/", nil, nil)
		if annotate.CauseOf(err) != tt.cause || err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%d %s came back as %v", tt.status, tt.body, err)
		}
		server.Close()
		if err := c.call(t.Context(), "GET", "/", nil, nil); annotate.CauseOf(err) != annotate.Busy {
			t.Errorf("a server that is gone: %v", err)
		}
	}
}

func TestPipes(t *testing.T) {
	l := newPipes()
	var all, callers sync.WaitGroup
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				if !errors.Is(err, net.ErrClosed) {
					t.Errorf("Accept: %v", err)
				}
				return
			}
			all.Go(func() {
				_, _ = io.Copy(c, io.LimitReader(c, 5))
				c.Close()
			})
		}
	})
	for range 10 {
		callers.Go(func() {
			c, err := l.dial(t.Context(), "", "")
			if err != nil {
				t.Error(err)
				return
			}
			callers.Go(func() { _, _ = io.WriteString(c, "hello") })
			if b, err := io.ReadAll(c); err != nil || string(b) != "hello" {
				t.Errorf("heard %q, %v", b, err)
			}
		})
	}
	callers.Wait()
	l.Close()
	all.Wait()
	stopped, stop := context.WithCancel(t.Context())
	stop()
	idle := newPipes()
	if _, err := idle.dial(stopped, "", ""); !errors.Is(err, context.Canceled) {
		t.Errorf("dial after its context: %v", err)
	}
	idle.Close()
	idle.Close()
	if _, err := idle.dial(t.Context(), "", ""); !errors.Is(err, net.ErrClosed) {
		t.Errorf("dial after Close: %v", err)
	}
	if idle.Addr().Network() == "" || idle.Addr().String() == "" {
		t.Error("it has no name")
	}
}

func TestReachable(t *testing.T) {
	for address, want := range map[string]string{"127.0.0.1:80": "127.0.0.1:80", "0.0.0.0:80": "127.0.0.1:80", "[::]:80": "127.0.0.1:80", "192.0.2.7:80": "192.0.2.7:80", "[::1]:80": "[::1]:80"} {
		a, err := net.ResolveTCPAddr("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		if got := reachable(a); got != want {
			t.Errorf("%s is reached at %s, want %s", address, got, want)
		}
	}
}

func TestProgressWithoutATerminal(t *testing.T) {
	var out bytes.Buffer
	b := newBar(&out, "Making the sample library", 4)
	for i, name := range []string{"one", "two", "three", "four"} {
		part := b.part(name)
		for f := 0.0; f < 1; f += 0.1 {
			part(f)
		}
		part(1.2)
		part(1)
		if i == 1 {
			part(0.5) // going back is not shown
		}
	}
	b.end()
	want := "Making the sample library …\n   25 %  one\n   50 %  two\n   75 %  three\n  100 %  four\n"
	if out.String() != want {
		t.Errorf("printed\n%swant\n%s", out.String(), want)
	}
}

func TestProgressOnATerminal(t *testing.T) {
	var out bytes.Buffer
	b := &bar{out: &out, tty: true, title: "Making", parts: 2, done: map[string]float64{}, shown: -1}
	b.draw("")
	b.part("one")(0.5)
	b.part("one")(0.501) // the same percent: nothing is drawn
	b.part("one")(1)
	b.part("two")(1)
	b.end()
	line := func(full, percent int) string {
		return fmt.Sprintf("\rMaking  %s%s  %3d %%", strings.Repeat("▪", full), strings.Repeat("·", 32-full), percent)
	}
	if want := line(0, 0) + line(8, 25) + line(16, 50) + line(32, 100) + "\n"; out.String() != want {
		t.Errorf("drew\n%q, want\n%q", out.String(), want)
	}
}
