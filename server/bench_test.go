package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// The numbers that matter, as ratios against what the machine itself can do, or
// as counts: make bench. Nothing here is timed by the tests.

const filmSize = 2 << 30

// program builds the server once for a benchmark.
func program(b *testing.B) string {
	b.Helper()
	bin := filepath.Join(b.TempDir(), "sideport")
	run(b, "go", "build", "-o", bin, ".")
	return bin
}

func run(b *testing.B, name string, args ...string) string {
	b.Helper()
	cmd := exec.Command(name, args...)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		b.Fatalf("%s %v: %v: %s", name, args, err, said.String())
	}
	return strings.TrimSpace(string(out))
}

// bigFilm makes a case folder with a film of two gigabytes.
func bigFilm(b *testing.B) string {
	b.Helper()
	dir := b.TempDir()
	clip := filepath.Join(dir, "clip.mp4")
	run(b, "ffmpeg", "-loglevel", "error", "-f", "lavfi", "-i", "nullsrc=s=1280x720:r=25,geq=random(1)*255:128:128", "-t", "4",
		"-c:v", "libx264", "-preset", "ultrafast", "-qp", "10", "-pix_fmt", "yuv420p", clip)
	info, err := os.Stat(clip)
	if err != nil {
		b.Fatal(err)
	}
	run(b, "ffmpeg", "-loglevel", "error", "-stream_loop", strconv.FormatInt(filmSize/info.Size(), 10), "-i", clip, "-c", "copy", filepath.Join(dir, "film.mp4"))
	os.Remove(clip)
	err = os.WriteFile(filepath.Join(dir, "case.yaml"), []byte("title: A long one\nrecordings: [{file: film.mp4}]\nstatus: published\nconsent: {audience: own unit, obtained: 2026-03-01}\n"), 0o600)
	if err != nil {
		b.Fatal(err)
	}
	return dir
}

// served is a running server and a client that is signed in.
type served struct {
	cmd    *exec.Cmd
	base   string
	client *http.Client
	first  time.Duration // from the start of the process to the first whole page
}

func serveData(b *testing.B, bin, data string) *served {
	b.Helper()
	began := time.Now()
	cmd := exec.Command(bin, "serve", "--listen", "127.0.0.1:0", "--data", data)
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { cmd.Process.Signal(os.Interrupt); cmd.Wait() })
	lines := bufio.NewScanner(out)
	link := regexp.MustCompile(`(http://[^/]+)/sign-in\?key=(\S+)`)
	for lines.Scan() {
		m := link.FindStringSubmatch(lines.Text())
		if m == nil {
			continue
		}
		jar, _ := cookiejar.New(nil)
		s := &served{cmd: cmd, base: m[1], client: &http.Client{Jar: jar}}
		go io.Copy(io.Discard, out)
		res, err := s.client.PostForm(s.base+"/sign-in", url.Values{"key": {m[2]}})
		if err != nil {
			b.Fatal(err)
		}
		io.Copy(io.Discard, res.Body)
		res.Body.Close()
		s.first = time.Since(began)
		return s
	}
	b.Fatal("the server printed no link")
	return nil
}

// cpu is the processor time of a process so far.
func cpu(b *testing.B, pid int) time.Duration {
	b.Helper()
	tasks, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid))
	var sum time.Duration
	for _, t := range tasks {
		line, _ := os.ReadFile(t)
		ns, _, _ := strings.Cut(string(line), " ")
		n, _ := strconv.ParseInt(ns, 10, 64)
		sum += time.Duration(n)
	}
	return sum
}

// nginx serves the same file beside us.
func nginx(b *testing.B, file string) (base string, pid int) {
	b.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	dir := b.TempDir()
	conf := filepath.Join(dir, "nginx.conf")
	text := fmt.Sprintf(`user root; worker_processes 1; daemon off; master_process off; pid %s/pid; error_log %s/log;
events {} http { access_log off; sendfile on; tcp_nopush on; server { listen %s; location = /film { alias %s; } } }`, dir, dir, addr, file)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command("nginx", "-c", conf)
	if err := cmd.Start(); err != nil {
		b.Skip("nginx is not here: ", err)
	}
	b.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	for range 200 {
		if c, err := net.Dial("tcp", addr); err == nil {
			c.Close()
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	return "http://" + addr + "/film", cmd.Process.Pid
}

// fetch reads ranges of a film; nil is the whole of it.
func fetch(b *testing.B, client *http.Client, address string, ranges []int64) time.Duration {
	b.Helper()
	const mib = 1 << 20
	began := time.Now()
	if ranges == nil {
		read(b, client, address, "")
	}
	for _, from := range ranges {
		if n := read(b, client, address, fmt.Sprintf("bytes=%d-%d", from, from+mib-1)); n != mib {
			b.Fatalf("%s: got %d bytes of a range, want %d", address, n, mib)
		}
	}
	return time.Since(began)
}

func read(b *testing.B, client *http.Client, address, bytes string) int64 {
	b.Helper()
	req, _ := http.NewRequest(http.MethodGet, address, nil)
	if bytes != "" {
		req.Header.Set("Range", bytes)
	}
	res, err := client.Do(req)
	if err != nil {
		b.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode >= 300 {
		b.Fatalf("%s: %s", address, res.Status)
	}
	n, err := io.Copy(io.Discard, res.Body)
	if err != nil {
		b.Fatal(err)
	}
	return n
}

func median(d []time.Duration) float64 {
	slices.Sort(d)
	return d[len(d)/2].Seconds()
}

// ready waits until the film of a case is prepared.
func (s *served) ready(b *testing.B, id string) {
	b.Helper()
	for range 6000 {
		res, err := s.client.Get(s.base + "/api/cases/" + id)
		if err != nil {
			b.Fatal(err)
		}
		text, _ := io.ReadAll(res.Body)
		res.Body.Close()
		if bytes.Contains(text, []byte(`"state":"ready"`)) {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	b.Fatal("the film was never ready")
}

// playCopy finds the copy that is served by the hash in its entity tag.
func (s *served) playCopy(b *testing.B, film, data string) string {
	b.Helper()
	res, err := s.client.Head(film)
	if err != nil {
		b.Fatal(err)
	}
	res.Body.Close()
	hash := strings.Trim(res.Header.Get("ETag"), `"`)
	return filepath.Join(data, "files", hash[:2], hash)
}

// BenchmarkFilm sends a film of 2 GB whole and by 1,000 random ranges of 1 MiB,
// in turn from us and from nginx: time and processor time as ratios. On one
// machine the kernel does the receiver's work in whichever process happens to
// be awake, so the processor time of both ends together is given as well.
func BenchmarkFilm(b *testing.B) {
	bin, folder, data := program(b), bigFilm(b), b.TempDir()
	id := run(b, bin, "add", folder, "--data", data)
	s := serveData(b, bin, data)
	s.ready(b, id)
	film := s.base + "/cases/" + id + "/recordings/r1/film"
	path := s.playCopy(b, film, data)
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	theirs, pid := nginx(b, path)
	r := rand.New(rand.NewPCG(1, 2))
	ranges := make([]int64, 1000)
	for i := range ranges {
		ranges[i] = r.Int64N(info.Size() - 1<<20)
	}
	for _, what := range []struct {
		name   string
		ranges []int64
	}{{"whole", nil}, {"ranges", ranges}} {
		b.Run(what.name, func(b *testing.B) {
			var wall, burn, both [2][]time.Duration
			for range max(b.N, 5) {
				for i, side := range []struct {
					address string
					pid     int
				}{{film, s.cmd.Process.Pid}, {theirs, pid}} {
					before, ours := cpu(b, side.pid), cpu(b, os.Getpid())
					wall[i] = append(wall[i], fetch(b, s.client, side.address, what.ranges))
					spent := cpu(b, side.pid) - before
					burn[i] = append(burn[i], spent)
					both[i] = append(both[i], spent+cpu(b, os.Getpid())-ours)
				}
			}
			b.ReportMetric(median(wall[0])/median(wall[1]), "time/nginx")
			b.ReportMetric(median(burn[0])/median(burn[1]), "cpu/nginx")
			b.ReportMetric(median(both[0])/median(both[1]), "cpu-with-client/nginx")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// BenchmarkSlowReaders holds 200 films open at a trickle: the most memory that
// the server ever had, in MB.
func BenchmarkSlowReaders(b *testing.B) {
	bin, folder, data := program(b), bigFilm(b), b.TempDir()
	id := run(b, bin, "add", folder, "--data", data)
	s := serveData(b, bin, data)
	s.ready(b, id)
	film := s.base + "/cases/" + id + "/recordings/r1/film"
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	var open, all sync.WaitGroup
	for range 200 {
		open.Add(1)
		all.Go(func() {
			req, _ := http.NewRequestWithContext(ctx, http.MethodGet, film, nil)
			res, err := (&http.Client{Jar: s.client.Jar, Transport: &http.Transport{}}).Do(req)
			if err != nil {
				open.Done()
				return
			}
			defer res.Body.Close()
			buf := make([]byte, 32<<10)
			for i := range 50 {
				if _, err := io.ReadFull(res.Body, buf); err != nil {
					break
				}
				if i == 0 {
					open.Done()
				}
				time.Sleep(50 * time.Millisecond)
			}
		})
	}
	open.Wait()
	all.Wait()
	b.ReportMetric(peak(b, s.cmd.Process.Pid), "MB")
	b.ReportMetric(0, "ns/op")
}

// peak is the largest resident memory of a process so far, in MB.
func peak(b *testing.B, pid int) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	m := regexp.MustCompile(`VmHWM:\s+(\d+) kB`).FindSubmatch(text)
	kb, _ := strconv.ParseFloat(string(m[1]), 64)
	return kb / 1000
}

// BenchmarkAdd brings in a film of 2 GB, against cp and sha256sum of it.
func BenchmarkAdd(b *testing.B) {
	bin, folder := program(b), bigFilm(b)
	film := filepath.Join(folder, "film.mp4")
	var ours, theirs []time.Duration
	for range max(b.N, 3) {
		dir := b.TempDir()
		began := time.Now()
		run(b, "cp", film, filepath.Join(dir, "copy"))
		run(b, "sha256sum", filepath.Join(dir, "copy"))
		theirs = append(theirs, time.Since(began))
		os.RemoveAll(dir)
		run(b, "sync")
		data := b.TempDir()
		began = time.Now()
		run(b, bin, "add", folder, "--data", data)
		ours = append(ours, time.Since(began))
		os.RemoveAll(data)
	}
	b.ReportMetric(median(ours)/median(theirs), "time/cp+sha256sum")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkStart starts a server over 1,000 cases: seconds to the first page.
func BenchmarkStart(b *testing.B) {
	bin, data := program(b), b.TempDir()
	fill(b, bin, data, 1000)
	var first []time.Duration
	for range max(b.N, 3) {
		s := serveData(b, bin, data)
		first = append(first, s.first)
		s.cmd.Process.Signal(os.Interrupt)
		s.cmd.Wait()
	}
	b.ReportMetric(median(first), "s-to-first-page")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkFindable keeps a note in a library of 1,000 cases and asks for its
// one new word until it is found: milliseconds from the acknowledgement.
func BenchmarkFindable(b *testing.B) {
	bin, data := program(b), b.TempDir()
	fill(b, bin, data, 1000)
	s := serveData(b, bin, data)
	var list struct{ Hits []struct{ Case string } }
	s.ask(b, http.MethodGet, "/api/cases?limit=1", nil, &list)
	var took []time.Duration
	for i := range max(b.N, 20) {
		word := fmt.Sprintf("marigold%d", i)
		note := map[string]any{"kind": "remark", "words": word, "span": map[string]any{"from": 1, "to": 1}, "recording": "", "state": "inked"}
		s.ask(b, http.MethodPost, "/api/cases/"+list.Hits[0].Case+"/notes", note, nil)
		began := time.Now()
		for {
			var found struct{ Total int }
			s.ask(b, http.MethodGet, "/api/cases?q="+word, nil, &found)
			if found.Total == 1 {
				break
			}
		}
		took = append(took, time.Since(began))
	}
	b.ReportMetric(1000*median(took), "ms-median")
	b.ReportMetric(1000*took[len(took)-1].Seconds(), "ms-most")
	b.ReportMetric(0, "ns/op")
}

// ask sends JSON to the API and reads the answer.
func (s *served) ask(b *testing.B, method, path string, body, into any) {
	b.Helper()
	text, err := json.Marshal(body)
	if err != nil {
		b.Fatal(err)
	}
	req, err := http.NewRequest(method, s.base+path, bytes.NewReader(text))
	if err != nil {
		b.Fatal(err)
	}
	res, err := s.client.Do(req)
	if err != nil {
		b.Fatal(err)
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode >= 300 {
		b.Fatalf("%s %s: %s: %s", method, path, res.Status, answer)
	}
	if into != nil {
		if err := json.Unmarshal(answer, into); err != nil {
			b.Fatal(err)
		}
	}
}

// fill adds cases of thirty notes each, without films.
func fill(b *testing.B, bin, data string, n int) {
	b.Helper()
	s := serveData(b, bin, data)
	for i := range n {
		var y strings.Builder
		fmt.Fprintf(&y, "title: Case %d, a small pupil and a dense nucleus\nstatus: published\nfactors: [{concept: small-pupil}, {concept: dense-nucleus}]\nconsent: {audience: own unit, obtained: 2026-03-01}\nnotes:\n", i)
		for k := range 15 {
			fmt.Fprintf(&y, "  - {kind: stage, concept: capsulorhexis, from: %q, to: %q}\n", fmt.Sprintf("%02d:00", k), fmt.Sprintf("%02d:50", k))
			fmt.Fprintf(&y, "  - {kind: teaching point, at: %q, words: Keep the tip still while the chopper does the work %d}\n", fmt.Sprintf("%02d:10", k), k)
		}
		s.ask(b, http.MethodPost, "/api/cases", map[string]string{"case_file": y.String()}, nil)
	}
	run(b, bin, "reindex", "--data", data)
	s.cmd.Process.Signal(os.Interrupt)
	s.cmd.Wait()
}
