package upload

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"syscall"

	"github.com/tus/tusd/v2/pkg/handler"
)

// An upload is two files: ID.json, written once when it begins, and ID.part,
// which grows. How much has arrived is the size of the part and is written
// nowhere else, so that nothing can disagree after a crash.
const (
	recordExt = ".json"
	partExt   = ".part"
)

// What is said to people.
const (
	gone   = "There is no such upload here. It may have been completed, dropped or swept; begin it again."
	failed = "The server could not keep this upload. Try again; if it happens again, tell the steward."
)

// chunk is how much is read at once; the room on the disk is asked for again
// every roomEvery bytes.
const (
	chunk     = 256 << 10
	roomEvery = 32 << 20
)

// record is what is known of an upload from its beginning.
type record struct {
	Owner string `json:"owner"`
	Name  string `json:"name"`
	Size  int64  `json:"size"`
}

// parts keeps uploads in a folder, for tusd.
type parts struct {
	dir  string
	log  *slog.Logger
	free func(dir string) (int64, error) // bytes
}

var idForm = regexp.MustCompile(`^[A-Z2-7]{26}$`)

// isID says whether s is of the form of an id, and so safe as a file's name.
func isID(s string) bool { return idForm.MatchString(s) }

func (s *parts) path(id, ext string) string { return filepath.Join(s.dir, id+ext) }

// NewUpload begins an upload for the context's owner. Of the browser's
// metadata only the file's name is kept, cleaned.
func (s *parts) NewUpload(ctx context.Context, info handler.FileInfo) (handler.Upload, error) {
	id := rand.Text()
	p := &part{in: s, id: id, rec: record{Owner: ownerOf(ctx), Name: CleanName(info.MetaData["filename"]), Size: info.Size}}
	b, err := json.Marshal(p.rec)
	if err != nil {
		return nil, s.fault(id, err)
	}
	for _, f := range []struct {
		ext  string
		data []byte
	}{{recordExt, b}, {partExt, nil}} {
		if err := os.WriteFile(s.path(id, f.ext), f.data, 0o600); err != nil {
			return nil, s.fault(id, errors.Join(err, s.remove(id)))
		}
	}
	s.log.Info("upload begun", "upload", id, "size", info.Size)
	return p, nil
}

// GetUpload gives an upload of the context's owner; anybody else's is not there.
func (s *parts) GetUpload(ctx context.Context, id string) (handler.Upload, error) {
	p, err := s.find(id, ownerOf(ctx))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, answer(http.StatusNotFound, gone)
	}
	if err != nil {
		return nil, s.fault(id, err)
	}
	return p, nil
}

// AsTerminatableUpload is asked for by tusd.
func (s *parts) AsTerminatableUpload(u handler.Upload) handler.TerminatableUpload { return u.(*part) }

// find reads what is on disk of an owner's upload. It is [fs.ErrNotExist] when
// there is none, or no whole one.
func (s *parts) find(id, owner string) (*part, error) {
	if !isID(id) || owner == "" {
		return nil, fs.ErrNotExist
	}
	b, err := os.ReadFile(s.path(id, recordExt))
	if err != nil {
		return nil, err
	}
	p := &part{in: s, id: id}
	// A record that was cut off by a crash belongs to an upload that nobody was told of.
	if json.Unmarshal(b, &p.rec) != nil || p.rec.Owner != owner {
		return nil, fs.ErrNotExist
	}
	st, err := os.Stat(s.path(id, partExt))
	if err != nil {
		return nil, err
	}
	p.have = st.Size()
	return p, nil
}

// remove takes an upload's files away. The record goes first: without it the
// upload is not there.
func (s *parts) remove(id string) error {
	for _, ext := range []string{recordExt, partExt} {
		if err := os.Remove(s.path(id, ext)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("remove upload %s: %w", id, err)
		}
	}
	return nil
}

// room says whether need more bytes can be taken while [Margin] stays free.
func (s *parts) room(need int64) error {
	have, err := s.free(s.dir)
	if err != nil {
		return s.fault("", err)
	}
	if have-Margin >= need {
		return nil
	}
	if need == 0 {
		return full()
	}
	return answer(http.StatusInsufficientStorage, fmt.Sprintf(
		"This film is %s and the library's disk has room for %s. Ask the steward to make room, then try again.", bytes(need), bytes(max(0, have-Margin))))
}

func full() error {
	return answer(http.StatusInsufficientStorage,
		"The library's disk is full. What has arrived is kept: ask the steward to make room, then continue the upload.")
}

// fault logs what went wrong and gives the answer for it; tusd would send the
// error itself, with its path.
func (s *parts) fault(id string, err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		s.log.Warn("upload stopped, disk full", "upload", id)
		return full()
	}
	s.log.Error("upload", "upload", id, "err", err)
	return answer(http.StatusInternalServerError, failed)
}

// answer is an error that tusd sends as it is.
func answer(status int, text string) error {
	return handler.Error{
		ErrorCode: http.StatusText(status),
		Message:   text,
		HTTPResponse: handler.HTTPResponse{
			StatusCode: status,
			Body:       text + "\n",
			Header:     handler.HTTPHeader{"Content-Type": "text/plain; charset=utf-8"},
		},
	}
}

// part is one upload.
type part struct {
	in   *parts
	id   string
	rec  record
	have int64 // bytes on disk when it was found
}

// GetInfo gives what tusd answers to HEAD.
func (p *part) GetInfo(context.Context) (handler.FileInfo, error) {
	return handler.FileInfo{ID: p.id, Size: p.rec.Size, Offset: p.have, MetaData: handler.MetaData{"filename": p.rec.Name}}, nil
}

// WriteChunk appends what src gives. Everything that was written counts, also
// when src or the disk ends too soon.
func (p *part) WriteChunk(_ context.Context, _ int64, src io.Reader) (n int64, err error) {
	f, err := os.OpenFile(p.in.path(p.id, partExt), os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return 0, p.in.fault(p.id, err)
	}
	defer func() {
		if cerr := f.Close(); err == nil && cerr != nil {
			err = p.in.fault(p.id, cerr)
		}
	}()
	buf := make([]byte, chunk)
	for checked := int64(-roomEvery); ; {
		if n >= checked+roomEvery {
			if err := p.in.room(0); err != nil {
				return n, err
			}
			checked = n
		}
		k, rerr := src.Read(buf)
		w, werr := f.Write(buf[:k])
		n += int64(w)
		switch {
		case werr != nil:
			return n, p.in.fault(p.id, werr)
		case errors.Is(rerr, io.EOF):
			return n, nil
		case rerr != nil:
			return n, rerr // one of tusd's, fit to be sent
		}
	}
}

// GetReader is asked for by tusd and never called: films are not served from here.
func (p *part) GetReader(context.Context) (io.ReadCloser, error) {
	return os.Open(p.in.path(p.id, partExt))
}

// FinishUpload makes sure that a film called complete survives a power cut.
func (p *part) FinishUpload(context.Context) error {
	f, err := os.OpenFile(p.in.path(p.id, partExt), os.O_WRONLY, 0)
	if err != nil {
		return p.in.fault(p.id, err)
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return p.in.fault(p.id, err)
	}
	p.in.log.Info("upload complete", "upload", p.id, "size", p.rec.Size)
	return nil
}

// Terminate drops the upload because its owner asks.
func (p *part) Terminate(context.Context) error {
	if err := p.in.remove(p.id); err != nil {
		return p.in.fault(p.id, err)
	}
	p.in.log.Info("upload dropped", "upload", p.id)
	return nil
}
