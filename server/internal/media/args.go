package media

import (
	"fmt"
	"strconv"
)

// input is how every file is handed to a tool: its reader named by us, no
// other allowed, no protocol but files and pipes, and a bound on the pixels
// that are decoded. "file:" keeps a name from being read as an address.
func input(f format, path string, pixels int) []string {
	return []string{
		"-protocol_whitelist", "file,pipe",
		"-format_whitelist", f.whitelist(),
		"-max_pixels", strconv.Itoa(pixels),
		"-f", f.demuxer,
		"-i", "file:" + path,
	}
}

// whitelist is the reader's name as ffmpeg checks it against the list.
func (f format) whitelist() string {
	switch f.demuxer {
	case "mov":
		return "mov,mp4,m4a,3gp,3g2,mj2"
	case "matroska":
		return "matroska,webm"
	}
	return f.demuxer
}

func probeArgs(f format, path string) []string {
	args := []string{"-hide_banner", "-v", "error", "-show_format", "-show_streams", "-of", "json"}
	return append(args, input(f, path, maxPixels)...)
}

// packetArgs lists the compressed frames of the picture.
func packetArgs(d details, interval string) []string {
	args := []string{
		"-hide_banner", "-v", "error",
		"-select_streams", strconv.Itoa(d.video.Index),
		"-show_entries", "packet=pts_time,dts_time,duration_time",
		"-of", "compact=p=0",
	}
	if interval != "" {
		args = append(args, "-read_intervals", interval)
	}
	return append(args, input(d.format, d.path, maxPixels)...)
}

// threads is fixed so that the same film gives the same bytes on every machine.
const threads = "4"

// quiet begins every call of ffmpeg.
func quiet(more ...string) []string {
	return append([]string{"-hide_banner", "-nostdin", "-y", "-v", "error", "-threads", threads, "-filter_threads", "2"}, more...)
}

// clean drops everything that a container or an encoder says beside picture
// and sound: tags of the file, of its tracks and of its chapters, chapters,
// data and captions, the encoder's name and the time of making.
func clean() []string {
	return []string{
		"-map_metadata", "-1", "-map_metadata:s", "-1", "-map_chapters", "-1", "-dn", "-sn",
		"-fflags", "+bitexact", "-flags:v", "+bitexact", "-flags:a", "+bitexact",
	}
}

// output names the result; sizeless demands a format by name.
func output(muxer, path string) []string { return []string{"-f", muxer, "file:" + path} }

// fit gives the size of a picture within a box, sides even as 4:2:0 needs.
func fit(w, h, box int) (int, int) {
	if m := max(w, h); m > box {
		w, h = (w*box+m/2)/m, (h*box+m/2)/m
	}
	return max(w&^1, 2), max(h&^1, 2)
}

// scaled is the filter that gives square pixels in a box.
func scaled(d details, box int) string {
	w, h := fit(d.Width, d.Height, box)
	return fmt.Sprintf("scale=w=%d:h=%d,setsar=1", w, h)
}

// toned is the filter, with its comma, that brings the wide brightness of a
// phone's HDR film into the range of an ordinary screen; "" where it is not.
func toned(v stream) string {
	switch v.Transfer {
	case "smpte2084", "arib-std-b67":
		return "zscale=t=linear:npl=100,format=gbrpf32le,zscale=p=bt709,tonemap=hable:desat=0,zscale=t=bt709:m=bt709:r=tv,format=yuv420p,"
	}
	return ""
}
