package library

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"sideport/annotate"
	"sideport/annotate/caption"
	"sideport/annotate/casefile"
	"sideport/annotate/consent"
)

// maxCaptions is the largest caption file taken.
const maxCaptions = 5 << 20

// Added is what came of bringing in a case.
type Added struct {
	ID       string             `json:"id"`
	Title    string             `json:"title"`
	Problems []annotate.Problem `json:"problems"` // warnings: kept, but worth a look
}

// Upload is a case that came through the browser: one film, and what is known.
type Upload struct {
	Title    string
	CaseFile []byte // a case.yaml, or nil
	Film     string // path of the film, given over to the library; "" for none
	Captions []byte // WebVTT, or nil
}

// source finds the files that a case names.
type source interface {
	path(f casefile.File) (string, error)
	take(ctx context.Context, l *Library, path string) (hash string, isNew bool, err error)
}

// AddFolder brings in the plain-file case in a folder of this machine. Either
// the whole case is stored or nothing is; the folder is only read.
func (l *Library) AddFolder(ctx context.Context, v consent.Viewer, dir string) (Added, error) {
	if err := refuse(v, consent.Curator, "add cases"); err != nil {
		return Added{}, err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return Added{}, annotate.Faultf(annotate.Missing, "The folder %q cannot be opened: %v.", dir, err)
	}
	defer root.Close()
	data, err := readCaseFile(root)
	if err != nil {
		return Added{}, err
	}
	doc, err := casefile.Parse(casefile.Name, data, l.Vocabulary)
	if err != nil {
		return Added{}, err
	}
	return l.add(ctx, v, doc, folder{root, dir})
}

// readCaseFile reads no more than one byte beyond what the parser takes, so
// that it is the parser that says how large is too large.
func readCaseFile(root *os.Root) ([]byte, error) {
	info, err := root.Stat(casefile.Name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, annotate.Faultf(annotate.Missing, "There is no %s in %q. A case is a folder with a %s that names its films; the README shows one.", casefile.Name, root.Name(), casefile.Name)
	}
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("it is not a file")
	}
	if err != nil {
		return nil, annotate.Faultf(annotate.Invalid, "%s cannot be read: %v.", casefile.Name, err)
	}
	f, err := root.Open(casefile.Name)
	if err != nil {
		return nil, annotate.Faultf(annotate.Invalid, "%s cannot be read: %v.", casefile.Name, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, casefile.MaxSize+1))
	if err != nil {
		return nil, annotate.Faultf(annotate.Invalid, "%s cannot be read: %v.", casefile.Name, err)
	}
	return data, nil
}

// folder is a source on this machine's disk.
type folder struct {
	root *os.Root
	dir  string
}

func (s folder) path(f casefile.File) (string, error) {
	info, err := s.root.Stat(f.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", annotate.Faultf(annotate.Invalid, "there is no file %q in the folder", f.Path)
	case err != nil:
		return "", annotate.Faultf(annotate.Invalid, "the file %q cannot be opened; it must lie inside the folder", f.Path)
	case !info.Mode().IsRegular():
		return "", annotate.Faultf(annotate.Invalid, "%q is not a file", f.Path)
	}
	return filepath.EvalSymlinks(filepath.Join(s.dir, filepath.FromSlash(f.Path)))
}

func (s folder) take(ctx context.Context, l *Library, path string) (string, bool, error) {
	return l.Files.PutFile(ctx, path)
}

// AddUpload brings in a film that came through the browser.
func (l *Library) AddUpload(ctx context.Context, v consent.Viewer, u Upload) (Added, error) {
	if err := refuse(v, consent.Curator, "add cases"); err != nil {
		return Added{}, err
	}
	doc, err := l.uploadDoc(u)
	if err != nil {
		return Added{}, err
	}
	dir, remove, err := l.Files.Scratch()
	if err != nil {
		return Added{}, err
	}
	defer remove()
	vtt := filepath.Join(dir, "captions.vtt")
	if err := os.WriteFile(vtt, u.Captions, 0o600); err != nil {
		return Added{}, err
	}
	return l.add(ctx, v, doc, uploaded{film: u.Film, captions: vtt, hasCaptions: u.Captions != nil})
}

// uploadDoc reads the case file that came along, or makes the least one, and
// names in it what came along besides.
func (l *Library) uploadDoc(u Upload) (*casefile.Doc, error) {
	doc := &casefile.Doc{Case: annotate.Case{Specialty: "cataract", Discretion: true, Status: annotate.Draft}}
	if len(u.CaseFile) > 0 {
		var err error
		if doc, err = casefile.Parse(casefile.Name, u.CaseFile, l.Vocabulary); err != nil {
			return nil, err
		}
	}
	if title := strings.TrimSpace(u.Title); title != "" {
		doc.Case.Title = title
	}
	if u.Film != "" && len(doc.Case.Recordings) == 0 {
		doc.Case.Recordings = []annotate.Recording{{ID: "r1", Role: "microscope"}}
		doc.Files = append(doc.Files, casefile.File{Use: casefile.Recording, Path: "the film", At: "film"})
	}
	named := slices.ContainsFunc(doc.Files, func(f casefile.File) bool { return f.Use == casefile.Captions && f.Item == 0 })
	if u.Captions != nil && !named && len(doc.Case.Recordings) > 0 {
		doc.Files = append(doc.Files, casefile.File{Use: casefile.Captions, Path: "the captions", At: "captions", Language: casefile.DefaultLanguage})
	}
	return doc, nil
}

// uploaded is a source of one film and its captions, whatever they are called.
type uploaded struct {
	film, captions string
	hasCaptions    bool
}

func (s uploaded) path(f casefile.File) (string, error) {
	switch {
	case f.Use == casefile.Recording && f.Item == 0 && s.film != "":
		return s.film, nil
	case f.Use == casefile.Captions && f.Item == 0 && s.hasCaptions:
		return s.captions, nil
	}
	return "", annotate.Faultf(annotate.Invalid, "%q did not come with the upload; send one film and its captions, or bring the whole folder in with sideport add", f.Path)
}

func (s uploaded) take(ctx context.Context, l *Library, path string) (string, bool, error) {
	return l.Files.Adopt(ctx, path)
}

// add turns a parsed case and its files into a stored one, or leaves nothing.
func (l *Library) add(ctx context.Context, v consent.Viewer, doc *casefile.Doc, src source) (Added, error) {
	b := &bringing{l: l, doc: doc, src: src, c: doc.Case}
	b.c.ID = l.NewID()
	b.paths = make([]string, len(doc.Files))
	if err := b.read(ctx); err != nil {
		return Added{}, err
	}
	l.adding.Lock()
	defer l.adding.Unlock()
	if err := b.keep(ctx); err != nil {
		b.undo(ctx)
		return Added{}, err
	}
	if _, err := l.Shelf.Apply(ctx, v.Account, annotate.Edit{Case: b.c.ID, Add: &b.c}); err != nil {
		b.undo(ctx)
		return Added{}, b.located(err)
	}
	for _, r := range b.c.Recordings {
		if err := l.queuePrepare(ctx, b.c.ID, r.ID); err != nil {
			// The case is in; the next start asks for what is missing.
			l.Log.WarnContext(ctx, "preparing not queued", "case", b.c.ID, "err", err)
		}
	}
	return Added{ID: b.c.ID, Title: b.c.Title, Problems: b.problems()}, nil
}

// bringing is one case on its way in.
type bringing struct {
	l     *Library
	doc   *casefile.Doc
	src   source
	c     annotate.Case
	paths []string // beside doc.Files
	found []annotate.Problem
	fresh []string // hashes that were not in the vault before
}

// read looks at every file before anything is stored.
func (b *bringing) read(ctx context.Context) error {
	for i, f := range b.doc.Files {
		path, err := b.src.path(f)
		if err == nil {
			b.paths[i] = path
			err = b.readFile(ctx, f, path)
		}
		if err := b.note(f, err); err != nil {
			return err
		}
	}
	bad := annotate.Errors(b.found)
	if len(bad) == 0 {
		bad = annotate.Errors(b.c.Check()) // its warnings were found when the file was read
	}
	if len(bad) > 0 {
		return &annotate.Fault{Cause: annotate.Invalid, Say: "The case was not added; nothing was stored.", Problems: b.doc.Locate(bad)}
	}
	return nil
}

// note keeps what a person can mend and passes on the rest.
func (b *bringing) note(f casefile.File, err error) error {
	fault, ok := errors.AsType[*annotate.Fault](err)
	switch {
	case err == nil:
		return nil
	case !ok || fault.Cause == annotate.Busy:
		return err
	}
	b.found = append(b.found, annotate.Problem{Path: f.At, Say: fmt.Sprintf("%s: %s", f.Path, fault.Say)})
	for _, p := range fault.Problems {
		p.File = f.Path
		b.found = append(b.found, p)
	}
	return nil
}

func (b *bringing) readFile(ctx context.Context, f casefile.File, path string) error {
	switch f.Use {
	case casefile.Recording:
		film, err := b.l.Media.Probe(ctx, path)
		b.c.Recordings[f.Item].Film = film
		return err
	case casefile.Captions:
		return b.readCaptions(f, path)
	}
	return nil // a photograph is decoded when it is kept
}

func (b *bringing) readCaptions(f casefile.File, path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, maxCaptions+1))
	if err != nil {
		return err
	}
	if len(data) > maxCaptions {
		return annotate.Faultf(annotate.Invalid, "captions are larger than %d MiB; a caption file holds words only", maxCaptions>>20)
	}
	cues, problems, err := caption.Cues(data)
	for _, p := range problems {
		p.File = f.Path
		b.found = append(b.found, p)
	}
	if err == nil && len(cues) > 0 {
		r := &b.c.Recordings[f.Item]
		r.Captions = append(r.Captions, annotate.Track{Language: f.Language, Cues: cues})
	}
	return err
}

// keep copies the originals into the vault.
func (b *bringing) keep(ctx context.Context) error {
	for i, f := range b.doc.Files {
		var err error
		switch f.Use {
		case casefile.Recording:
			err = b.keepFilm(ctx, f, b.paths[i])
		case casefile.Still:
			err = b.keepPhoto(ctx, f, b.paths[i])
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (b *bringing) keepFilm(ctx context.Context, f casefile.File, path string) error {
	hash, isNew, err := b.src.take(ctx, b.l, path)
	if err != nil {
		return err
	}
	if isNew {
		b.fresh = append(b.fresh, hash)
	}
	for i, r := range b.c.Recordings {
		if r.Hash == hash && i != f.Item {
			return b.refusal(f.At, "this is the same film as recordings[%d]; name it once", i)
		}
	}
	if used, err := b.l.Shelf.Uses(ctx, hash); err != nil {
		return err
	} else if used {
		b.found = append(b.found, annotate.Problem{Path: f.At, Warning: true, Say: fmt.Sprintf("%s is in the library already, in another case; it is stored once", f.Path)})
	}
	b.c.Recordings[f.Item].Hash = hash
	return nil
}

func (b *bringing) keepPhoto(ctx context.Context, f casefile.File, path string) error {
	dir, remove, err := b.l.Files.Scratch()
	if err != nil {
		return err
	}
	defer remove()
	out := filepath.Join(dir, "photo.jpg")
	if err := b.l.Media.Photo(ctx, path, out); err != nil {
		if fault, ok := errors.AsType[*annotate.Fault](err); ok && fault.Cause == annotate.Invalid {
			return b.refusal(f.At, "%s: %s", f.Path, fault.Say)
		}
		return err
	}
	hash, isNew, err := b.l.Files.Adopt(ctx, out)
	if err != nil {
		return err
	}
	if isNew {
		b.fresh = append(b.fresh, hash)
	}
	b.c.Stills[f.Item].Hash = hash
	return nil
}

func (b *bringing) refusal(path, say string, args ...any) error {
	p := annotate.Problem{Path: path, Say: fmt.Sprintf(say, args...)}
	return &annotate.Fault{Cause: annotate.Invalid, Say: "The case was not added; nothing was stored.", Problems: b.doc.Locate([]annotate.Problem{p})}
}

// located gives the places in the case file to problems that the store found.
func (b *bringing) located(err error) error {
	if fault, ok := errors.AsType[*annotate.Fault](err); ok && len(fault.Problems) > 0 {
		return &annotate.Fault{Cause: fault.Cause, Say: fault.Say, Problems: b.doc.Locate(fault.Problems), Err: err}
	}
	return err
}

// undo takes out what this attempt alone brought into the vault.
func (b *bringing) undo(ctx context.Context) {
	for _, hash := range b.fresh {
		b.l.release(ctx, hash)
	}
}

// problems are the warnings, with those of the case file first.
func (b *bringing) problems() []annotate.Problem {
	out := append([]annotate.Problem{}, b.doc.Problems...)
	return append(out, b.doc.Locate(b.found)...)
}
