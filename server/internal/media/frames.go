package media

import (
	"context"
	"math"
	"strconv"
	"strings"

	"sideport/annotate"
)

// measure finds the length of a film that does not say, or may not know: from
// the first frame to the end of the last, by reading all of it.
func (t *Tools) measure(ctx context.Context, d details) (annotate.Time, error) {
	first, last, step := math.Inf(1), math.Inf(-1), 0.0
	read := func(p packet) {
		if !p.timed {
			return
		}
		first, last = min(first, p.at), max(last, p.at+p.length)
		step = max(step, p.length)
	}
	b := short
	b.wall = max(b.wall, whole(annotate.Time(d.Size/100), 0).wall) // at 100 MB a second at worst
	b.cpu = b.wall
	if err := t.packets(ctx, d, "", b, read); err != nil {
		return 0, err
	}
	if last <= first {
		return 0, nil
	}
	if step == 0 { // frames without lengths: the last is as long as the others
		if r, _ := rateOf(d.video, true); r.Valid() {
			last += 1 / r.Float()
		}
	}
	return seconds(strconv.FormatFloat(last-first, 'f', 6, 64)), nil
}

// sampled is how many frames are looked at, at the start and in the middle, to
// learn whether they come evenly.
const sampled = 240

// even says whether frames follow one another at one distance.
func (t *Tools) even(ctx context.Context, d details) (bool, error) {
	_, base, _ := ratio(d.video.TimeBase, "/")
	tick := 0.001
	if base > 0 {
		tick = 1 / float64(base)
	}
	intervals := "%+#" + strconv.Itoa(sampled)
	if !d.format.measured { // such files have no index to seek by
		intervals += "," + strconv.FormatFloat(d.Duration.Seconds()/2, 'f', 3, 64) + intervals
	}
	var times []float64
	read := func(p packet) {
		if p.decoded {
			times = append(times, p.decodeAt)
		}
	}
	if err := t.packets(ctx, d, intervals, short, read); err != nil {
		return false, err
	}
	for i := range times { // the second stretch begins after the first, or goes back
		if i == sampled || i > 0 && times[i] < times[i-1] {
			return evenTimes(times[:i], tick) && evenTimes(times[i:], tick), nil
		}
	}
	return evenTimes(times, tick), nil
}

// evenTimes says whether times, in seconds, lie at one distance, allowing for
// the clock's tick and for a jitter that moves no frame to another's place.
func evenTimes(times []float64, tick float64) bool {
	if len(times) < 3 {
		return true
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range times[1:] {
		step := times[i+1] - times[i]
		low, high = min(low, step), max(high, step)
	}
	return high-low <= max(2*tick, 0.0015)+1e-6
}

// rateOf chooses the frame rate. The nominal one is the clean fraction of an
// even film; where it and the average differ, frames are missing somewhere, or
// it counts the fields of an interlaced picture.
func rateOf(v stream, even bool) (r annotate.Rate, variable bool) {
	nominal, err1 := annotate.ParseRate(v.Nominal)
	average, err2 := annotate.ParseRate(v.Average)
	switch {
	case err1 != nil && err2 != nil:
		return annotate.Rate{}, !even
	case err2 != nil:
		return nominal, !even
	case err1 != nil:
		return average, !even
	}
	near := func(n float64) bool { return math.Abs(nominal.Float()/average.Float()/n-1) < 0.005 }
	if even && near(1) {
		return nominal, false
	}
	return average, !even || !near(1) && !near(2)
}

// packet is one compressed frame, its times in seconds.
type packet struct {
	at, decodeAt, length float64
	timed, decoded       bool
}

// packets reads the compressed frames of the picture in an interval of
// ffprobe's ("" is all) and calls each.
func (t *Tools) packets(ctx context.Context, d details, interval string, b budget, each func(packet)) error {
	out := &lines{each: func(line string) { each(parsePacket(line)) }}
	err := t.run(ctx, job{tool: t.ffprobe, args: packetArgs(d, interval), budget: b, stdout: out})
	return unreadable(err)
}

// parsePacket reads "pts_time=0.04|dts_time=N/A|duration_time=0.04".
func parsePacket(line string) (p packet) {
	for _, f := range strings.Split(line, "|") {
		key, value, _ := strings.Cut(f, "=")
		v, err := strconv.ParseFloat(value, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		switch key {
		case "pts_time":
			p.at, p.timed = v, true
		case "dts_time":
			p.decodeAt, p.decoded = v, true
		case "duration_time":
			p.length = max(v, 0)
		}
	}
	return p
}
