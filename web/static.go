package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"mime"
	"path"
	"strings"
	"sync"
)

//go:embed static/built
var built embed.FS

// StaticFile is one file of the bundle. Its address holds a hash of its bytes,
// so a browser may keep it for ever.
type StaticFile struct {
	Type string // media type
	Body []byte
}

type bundle struct {
	paths map[string]string // by plain name: "/static/app-1a2b3c4d5e.css"
	files map[string]StaticFile
}

// types are named here since the machine's own table may lack them.
var types = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

var static = sync.OnceValue(func() bundle {
	b := bundle{map[string]string{}, map[string]StaticFile{}}
	entries, _ := built.ReadDir("static/built") // embedded: it is there
	for _, e := range entries {
		body, _ := built.ReadFile("static/built/" + e.Name())
		sum := sha256.Sum256(body)
		ext := path.Ext(e.Name())
		hashed := strings.TrimSuffix(e.Name(), ext) + "-" + hex.EncodeToString(sum[:5]) + ext
		b.paths[e.Name()] = "/static/" + hashed
		kind, ok := types[ext]
		if !ok {
			kind = mime.TypeByExtension(ext)
		}
		b.files[hashed] = StaticFile{kind, body}
	}
	return b
})

// StaticPath gives the address of a file of the bundle: "app.css" is served at
// "/static/app-1a2b3c4d5e.css". An unknown name gives "".
func StaticPath(name string) string { return static().paths[name] }

// Static finds a file by the last part of its address; it is false for any name
// but the present one.
func Static(hashed string) (StaticFile, bool) {
	f, ok := static().files[hashed]
	return f, ok
}
