// Package app builds, connects, starts and stops everything, and carries out
// the commands. It alone may import every other package; what it does itself
// is join them.
//
// Every command but serve and restore is a request to the JSON API. Where a
// server has the data folder open, the request goes to that server, at the
// address and with the token that it left in the folder for its user alone;
// otherwise the same handler is started inside the command, without a network,
// for as long as the command runs.
package app

import (
	"context"
	"crypto/rand"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"sideport/annotate"
	"sideport/annotate/terms"
	"sideport/index"
	"sideport/server/internal/auth"
	"sideport/server/internal/httpd"
	"sideport/server/internal/jobs"
	"sideport/server/internal/library"
	"sideport/server/internal/media"
	"sideport/server/internal/store"
	"sideport/server/internal/upload"
	"sideport/server/internal/vault"
)

// maxFilm is the largest film that an upload may bring, in bytes.
const maxFilm = 64 << 30

// App is an open library with everything joined.
type App struct {
	data    string
	log     *slog.Logger
	store   *store.Store
	vault   *vault.Vault
	media   *media.Tools
	index   *index.Index
	queue   *jobs.Queue
	library *library.Library
	desk    *auth.Desk
	uploads *upload.Uploads
	handler http.Handler
	token   string
	sweep   func() // removes the scratch folder of plain forms
}

// open opens the library in a data folder and joins its parts. timeout is how
// long to wait while another process has it open.
func open(ctx context.Context, data, command string, timeout time.Duration, log *slog.Logger) (_ *App, err error) {
	a := &App{data: data, log: log, token: rand.Text()}
	defer func() {
		if err != nil {
			a.Close()
		}
	}()
	holder := store.Holder{Command: command}
	if a.store, err = store.Open(ctx, data, store.Options{Timeout: timeout, Log: log, Holder: holder}); err != nil {
		return nil, err
	}
	if a.vault, err = vault.Open(filepath.Join(data, "files")); err != nil {
		return nil, err
	}
	if a.media, err = media.Find(log); err != nil {
		return nil, err
	}
	vocabulary, err := terms.Load("cataract")
	if err != nil {
		return nil, err
	}
	if err := a.openIndex(ctx, vocabulary); err != nil {
		return nil, err
	}
	a.desk = auth.New(a.store, auth.Options{Log: log})
	a.join(vocabulary)
	if a.uploads, err = upload.New(upload.Options{Dir: a.spool(), BasePath: "/uploads/", MaxSize: maxFilm,
		Keep: 7 * 24 * time.Hour, Now: time.Now, Log: log, Owner: a.owner}); err != nil {
		return nil, err
	}
	scratch, remove, err := a.vault.Scratch()
	if err != nil {
		return nil, sayFull(err)
	}
	a.sweep = remove
	a.handler = httpd.New(httpd.Parts{Library: a.library, Desk: a.desk, Uploads: a.uploads, Spool: scratch, Upkeep: a,
		Token: a.token, MaxFilm: maxFilm, Version: Version(), Log: log, NewID: newID})
	return a, nil
}

// openIndex opens the search index; what it lacks is fed to it by the follower.
func (a *App) openIndex(ctx context.Context, v *terms.Vocabulary) error {
	x, rebuild, err := index.Open(filepath.Join(a.data, "index"), v, a.log)
	if err != nil {
		return err
	}
	a.index = x
	if n, err := a.store.LastSeq(ctx); err == nil && rebuild && n > 0 {
		a.log.Warn("the search index was missing, damaged or of an older make; it is being built anew")
	} else if err == nil && x.Seq() > n {
		// The store is older than its index: it was put back from a backup.
		a.log.Warn("the search index is ahead of the library; it is being built anew")
		return x.Clear(ctx)
	}
	return nil
}

// join makes the library and its queue, each of which needs the other.
func (a *App) join(v *terms.Vocabulary) {
	a.queue = jobs.New(shelf{a.store}, map[string]jobs.Handler{
		library.PrepareJob: func(ctx context.Context, j jobs.Job, progress func(float64)) error {
			return a.library.DoPrepare(ctx, j.Args, progress)
		},
	}, jobs.Options{Workers: 2, MaxTries: 3, Now: time.Now, Log: a.log})
	a.library = library.New(library.Parts{Shelf: a.store, Files: files{a.vault}, Media: a.media, Jobs: a.queue,
		Finder: a.index, Vocabulary: v, Log: a.log, NewID: newID})
}

// spool is where uploads wait, on the file system of the vault.
func (a *App) spool() string { return filepath.Join(a.data, "uploads") }

// owner finds whose upload a request is; the guard of the route has let it pass.
func (a *App) owner(r *http.Request) string { return httpd.Account(r.Context()) }

// Close stops what open started, in reverse.
func (a *App) Close() error {
	var errs []error
	if a.sweep != nil {
		a.sweep()
	}
	if a.index != nil {
		errs = append(errs, a.index.Close())
	}
	if a.vault != nil {
		errs = append(errs, a.vault.Close())
	}
	if a.store != nil {
		errs = append(errs, a.store.Close())
	}
	return errors.Join(errs...)
}

// newID makes an id that nobody can guess and anybody can read out.
func newID() string { return strings.ToLower(rand.Text()[:10]) }

// Version is what this program was built from.
func Version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" || info.Main.Version == "(devel)" {
		return "0.1.0"
	}
	return strings.TrimPrefix(info.Main.Version, "v")
}

// files lets the library use the vault in its own words.
type files struct{ *vault.Vault }

func (f files) PutFile(ctx context.Context, path string) (string, bool, error) {
	e, err := f.Vault.PutFile(ctx, path)
	return e.Hash, e.New, sayFull(err)
}

func (f files) Adopt(ctx context.Context, path string) (string, bool, error) {
	e, err := f.Vault.Adopt(ctx, path)
	return e.Hash, e.New, sayFull(err)
}

func (f files) EachHash(ctx context.Context, fn func(string, int64) error) error {
	return f.Each(ctx, func(e vault.Entry) error { return fn(e.Hash, e.Size) })
}

// sayFull turns a full disk into a fault, which is shown to people.
func sayFull(err error) error {
	if full, ok := errors.AsType[*vault.FullError](err); ok {
		return &annotate.Fault{Cause: annotate.Busy, Say: strings.ToUpper(full.Error()[:1]) + full.Error()[1:] + ".", Err: err}
	}
	return err
}

// shelf is the queue's part of the store.
type shelf struct{ *store.Store }

// Check holds store, files and index against one another.
func (a *App) Check(ctx context.Context) (library.Report, error) {
	return a.library.Check(ctx, a.store, files{a.vault})
}

// Reindex builds the search index anew.
func (a *App) Reindex(ctx context.Context) (library.Report, error) {
	if err := a.library.Reindex(ctx); err != nil {
		return library.Report{}, err
	}
	n, err := a.store.Count(ctx)
	if err != nil {
		return library.Report{}, err
	}
	seq, err := a.store.LastSeq(ctx)
	return library.Report{Cases: n, Change: seq, Indexed: a.index.Seq(), Problems: []annotate.Problem{}}, err
}

// Backup writes the whole library to w.
func (a *App) Backup(ctx context.Context, w io.Writer) error {
	return a.library.Backup(ctx, w, a.store)
}

// Jobs lists the long work.
func (a *App) Jobs(ctx context.Context) ([]httpd.JobJSON, error) {
	all, err := a.queue.List(ctx)
	var out []httpd.JobJSON
	for _, j := range all {
		out = append(out, httpd.JobJSON{ID: j.ID, Kind: j.Kind, Subject: j.Subject, State: string(j.State), Say: j.Say, Done: j.Done, Tries: j.Tries})
	}
	return out, err
}
