package main

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"time"

	"sideport/annotate"
	"sideport/annotate/casefile"
	"sideport/annotate/terms"
	"sideport/sample"
)

func load(c sample.Case) annotate.Case {
	v, err := terms.Load("cataract")
	if err != nil { panic(err) }
	b, _ := fs.ReadFile(c.Files, "case.yaml")
	d, err := casefile.Parse(c.Name, b, v)
	if err != nil { fmt.Printf("%s: %v\n", c.Name, err); if f, ok := err.(*annotate.Fault); ok { for _, p := range f.Problems { fmt.Println("  ", p.Line, p.Say) } }; os.Exit(1) }
	for _, p := range d.Problems { fmt.Println(c.Name, p.Line, p.Say) }
	return d.Case
}

func main() {
	switch os.Args[1] {
	case "check":
		for _, c := range sample.Cases() { load(c); fmt.Println("ok", c.Name) }
	case "shot": // name sec... -> /tmp/shots/name-sec.png
		for _, c := range sample.Cases() {
			if c.Name != os.Args[2] { continue }
			f := sample.Draw(load(c), c.Length)
			for _, s := range os.Args[3:] {
				m, x, _ := strings.Cut(s, ":")
				mi, _ := strconv.Atoi(m); se, _ := strconv.ParseFloat(x, 64)
				b := f.Frame(annotate.FromSeconds(float64(mi)*60 + se))
				cmd := exec.Command("ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", fmt.Sprintf("%dx%d", f.Width, f.Height), "-i", "-", "/tmp/shots/"+strings.ReplaceAll(s, ":", "_")+".png")
				cmd.Stdin = strings.NewReader(string(b)); cmd.Stderr = os.Stderr
				if err := cmd.Run(); err != nil { panic(err) }
			}
		}
	case "photo":
		for _, c := range sample.Cases() {
			for n, b := range sample.Photos(load(c)) { os.WriteFile("/tmp/photos/"+c.Name+"-"+n, b, 0o644) }
		}
	case "time":
		var all time.Duration; var n int64
		for _, c := range sample.Cases() {
			if len(os.Args) > 2 && os.Args[2] != c.Name { continue }
			f := sample.Draw(load(c), c.Length)
			t := time.Now()
			for range f.Frames(context.Background()) {}
			d := time.Since(t); all += d; n += f.Count()
			fmt.Printf("%-28s %6d frames %8v  %.3f ms/frame\n", c.Name, f.Count(), d.Round(time.Millisecond), d.Seconds()*1000/float64(f.Count()))
		}
		fmt.Printf("all %v  %.3f ms/frame\n", all, all.Seconds()*1000/float64(n))
	case "encode":
		t := time.Now()
		sem := make(chan int, 2); done := make(chan int)
		cs := sample.Cases()
		for _, c := range cs {
			go func() {
				sem <- 1; defer func() { <-sem; done <- 1 }()
				f := sample.Draw(load(c), c.Length)
				cmd := exec.Command("ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", fmt.Sprintf("%dx%d", f.Width, f.Height), "-r", "10", "-i", "-", "-c:v", "libx264", "-preset", "veryfast", "-crf", "28", "-threads", "1", "/tmp/films/"+c.Name+".mp4")
				cmd.Stderr = os.Stderr
				var w io.WriteCloser; w, _ = cmd.StdinPipe(); cmd.Start()
				for b := range f.Frames(context.Background()) { w.Write(b) }
				w.Close(); cmd.Wait()
			}()
		}
		for range cs { <-done }
		fmt.Println("encoded in", time.Since(t))
	}
}
