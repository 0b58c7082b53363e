// Package upload takes films in from browsers, in parts that survive a lost
// connection and a killed server: tus 1.0 with creation and termination, as a
// plain [http.Handler]. A complete upload waits here until it is adopted.
//
// It must not know what is in a file, what a case is, or who may upload.
package upload

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/tus/tusd/v2/pkg/handler"
	"github.com/tus/tusd/v2/pkg/memorylocker"
	otherslog "golang.org/x/exp/slog"

	"sideport/annotate"
)

// Margin is the room in bytes that uploads leave on the disk for everything
// else: the store has to be able to write when uploads no longer may.
const Margin = 512 << 20

// Options are what uploads need to know of the house.
type Options struct {
	Dir      string        // folder of the parts, on the file system of the vault
	BasePath string        // path at which the handler is mounted: "/uploads/"
	MaxSize  int64         // bytes that one film may have
	Keep     time.Duration // parts not written to for so long are swept
	Now      func() time.Time
	Log      *slog.Logger

	// Owner gives the account that asks, or "". An upload is seen and
	// continued by its owner alone.
	Owner func(*http.Request) string
}

// File is a complete upload.
type File struct {
	Path string // in Options.Dir; may be moved away
	Size int64  // bytes
	Name string // as the browser named it, cleaned: for people, never a path
}

// Uploads takes uploads in and keeps their parts.
type Uploads struct {
	o     Options
	parts *parts
	locks *memorylocker.MemoryLocker
	tus   *handler.UnroutedHandler
}

// New makes Uploads over the parts that are in o.Dir, which is made if missing.
func New(o Options) (*Uploads, error) {
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the folder for uploads: %w", err)
	}
	u := &Uploads{o: o, parts: &parts{dir: o.Dir, log: o.Log, free: free}, locks: memorylocker.New()}
	use := handler.NewStoreComposer()
	use.UseCore(u.parts)
	use.UseTerminater(u.parts)
	u.locks.UseIn(use)
	var err error
	u.tus, err = handler.NewUnroutedHandler(handler.Config{
		StoreComposer: use,
		BasePath:      u.base() + "/",
		MaxSize:       o.MaxSize,
		Cors:          &handler.CorsConfig{Disable: true},
		// Its lines hold more than ids; ours say what matters.
		Logger: otherslog.New(otherslog.NewTextHandler(io.Discard, &otherslog.HandlerOptions{Level: otherslog.Level(100)})),
	})
	if err != nil {
		return nil, fmt.Errorf("set up uploads: %w", err)
	}
	return u, nil
}

func (u *Uploads) base() string { return "/" + strings.Trim(u.o.BasePath, "/") }

// Handler serves tus 1.0 under Options.BasePath. Answers to people are plain
// sentences; those to programs begin with a code.
func (u *Uploads) Handler() http.Handler {
	tus := u.tus.Middleware(http.HandlerFunc(u.route))
	inner := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Tus-Version", "1.0.0") // tusd leaves it out of the 412 where the protocol asks for it
		tus.ServeHTTP(relative{w}, r.WithContext(withOwner(r.Context(), u.o.Owner(r))))
	})
	return http.StripPrefix(u.base(), inner)
}

// route leads a request, whose version is checked and whose path holds the id
// alone, to what the protocol does with it.
func (u *Uploads) route(w http.ResponseWriter, r *http.Request) {
	id := strings.Trim(r.URL.Path, "/")
	if ownerOf(r.Context()) == "" {
		say(w, http.StatusUnauthorized, "Sign in to upload a film.")
		return
	}
	if id == "" {
		u.create(w, r)
		return
	}
	// Asked before tusd locks: the lock would interrupt the owner's own upload.
	if _, err := u.parts.GetUpload(r.Context(), id); err != nil {
		sayError(w, err)
		return
	}
	switch r.Method {
	case http.MethodHead:
		u.tus.HeadFile(w, r)
	case http.MethodPatch:
		u.tus.PatchFile(w, r)
	case http.MethodDelete:
		u.tus.DelFile(w, r)
	default:
		w.Header().Set("Allow", "HEAD, PATCH, DELETE, OPTIONS")
		say(w, http.StatusMethodNotAllowed, "An upload is continued with PATCH, asked about with HEAD and dropped with DELETE.")
	}
}

// create begins an upload once its length is known to fit.
func (u *Uploads) create(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", "POST, OPTIONS")
		say(w, http.StatusMethodNotAllowed, "An upload is begun with POST.")
		return
	}
	// A length that is no number is left to tusd, which refuses it with 400.
	size, err := strconv.ParseInt(r.Header.Get("Upload-Length"), 10, 64)
	switch {
	case err == nil && size == 0:
		say(w, http.StatusBadRequest, "This file is empty. Choose the film itself.")
		return
	case size > u.o.MaxSize && u.o.MaxSize > 0:
		say(w, http.StatusRequestEntityTooLarge, fmt.Sprintf(
			"This film is %s; one film may be %s at most. Trim it, or bring it in with a lower quality.", bytes(size), bytes(u.o.MaxSize)))
		return
	}
	if err := u.parts.room(size); err != nil {
		sayError(w, err)
		return
	}
	u.tus.PostFile(w, r)
}

// Finished gives a complete upload of owner. It is a fault of cause Missing
// (and [fs.ErrNotExist]) when owner has no such upload, Busy when bytes are
// still to come.
func (u *Uploads) Finished(ctx context.Context, id, owner string) (File, error) {
	p, err := u.parts.find(id, owner)
	if errors.Is(err, fs.ErrNotExist) {
		return File{}, &annotate.Fault{Cause: annotate.Missing, Say: gone, Err: fs.ErrNotExist}
	}
	if err != nil {
		return File{}, err
	}
	if p.have < p.rec.Size {
		return File{}, annotate.Faultf(annotate.Busy,
			"%s of %s of this upload have arrived; continue it until it is complete.", bytes(p.have), bytes(p.rec.Size))
	}
	return File{Path: u.parts.path(id, partExt), Size: p.rec.Size, Name: p.rec.Name}, ctx.Err()
}

// Discard forgets an upload and removes what there is of it. One that is not
// there is no error.
func (u *Uploads) Discard(ctx context.Context, id string) error {
	if !isID(id) {
		return nil
	}
	return u.locked(ctx, id, func() error { return u.parts.remove(id) })
}

// Sweep removes the uploads, complete or not, that nobody has written to for
// Options.Keep. Files that are no part of an upload stay.
func (u *Uploads) Sweep(ctx context.Context) error {
	files, err := os.ReadDir(u.o.Dir)
	if err != nil {
		return fmt.Errorf("sweep uploads: %w", err)
	}
	for _, f := range files {
		id := strings.TrimSuffix(f.Name(), filepath.Ext(f.Name()))
		if !isID(id) || !u.stale(id) {
			continue
		}
		err := u.locked(ctx, id, func() error {
			if !u.stale(id) { // continued while we waited
				return nil
			}
			u.o.Log.Info("upload swept", "upload", id)
			return u.parts.remove(id)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// stale says whether no file of an upload was written to for Keep.
func (u *Uploads) stale(id string) bool {
	limit := u.o.Now().Add(-u.o.Keep)
	for _, ext := range []string{partExt, recordExt} {
		if st, err := os.Stat(u.parts.path(id, ext)); err == nil && st.ModTime().After(limit) {
			return false
		}
	}
	return true
}

// locked calls fn while no request touches the upload; a running one is asked
// to stop, and what it has written stays.
func (u *Uploads) locked(ctx context.Context, id string, fn func() error) error {
	lock, err := u.locks.NewLock(id)
	if err != nil {
		return fmt.Errorf("lock upload %s: %w", id, err)
	}
	if err := lock.Lock(ctx, func() {}); err != nil {
		return fmt.Errorf("wait for upload %s: %w", id, errors.Join(err, ctx.Err()))
	}
	return errors.Join(fn(), lock.Unlock())
}

type ownerKey struct{}

func withOwner(ctx context.Context, owner string) context.Context {
	return context.WithValue(ctx, ownerKey{}, owner)
}

func ownerOf(ctx context.Context) string {
	s, _ := ctx.Value(ownerKey{}).(string)
	return s
}

// relative gives Location as a path: behind a proxy the server knows neither
// the scheme nor the host that the browser sees.
type relative struct{ http.ResponseWriter }

func (w relative) WriteHeader(code int) {
	if at, err := url.Parse(w.Header().Get("Location")); err == nil && at.Path != "" {
		w.Header().Set("Location", at.EscapedPath())
	}
	w.ResponseWriter.WriteHeader(code)
}

// Unwrap lets [http.ResponseController] set deadlines.
func (w relative) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// say answers with a sentence.
func say(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = io.WriteString(w, text+"\n") // the reader may have left
}

func sayError(w http.ResponseWriter, err error) {
	if e, ok := errors.AsType[handler.Error](err); ok {
		say(w, e.HTTPResponse.StatusCode, e.Message)
		return
	}
	say(w, http.StatusInternalServerError, failed)
}
