package index

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"

	"github.com/blevesearch/bleve/v2"
	"github.com/blevesearch/bleve/v2/analysis/analyzer/custom"
	"github.com/blevesearch/bleve/v2/analysis/token/porter"
	"github.com/blevesearch/bleve/v2/analysis/tokenizer/whitespace"
	"github.com/blevesearch/bleve/v2/mapping"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// version is raised when documents are made differently from the same cases.
const version = 2

// The fields of a document. One document stands for a case, with all that is
// said in it; one for each moment, with what is said there. Concepts are
// written with everything broader, so a search for the wider finds the narrower.
const (
	fType     = "type"  // typeCase, typeMoment
	fCase     = "case"  // id of the case
	fScope    = "scope" // scopeAll, and the names of the audiences that may see it
	fStated   = "ka"    // concepts that a curator chose
	fSaid     = "kb"    // concepts named in a curator's words
	fDoubtful = "kd"    // concepts that ambiguous words may name, or that merely stood by
	fSpoken   = "kc"    // concepts named in captions
	fPencil   = "kp"    // concepts of pencilled notes, for curators alone
	tStated   = "ta"    // the chosen terms' own words, title, grades
	tSaid     = "tb"    // a curator's other words
	tSpoken   = "tc"    // captions
	tPencil   = "tp"
	fRaw      = "raw"  // all words in order, for quoted phrases
	fRawP     = "rawp" // those of pencilled notes
	fWords    = "w"    // a curator's words unstemmed, for completions
	fTitle    = "title"
	fRev      = "rev"
	fBody     = "body" // of a moment: what to show, as JSON
)

const (
	typeCase   = "case"
	typeMoment = "moment"
	scopeAll   = "all"
	words      = "words" // the analyser of text: split at blanks, English stems
	plain      = "plain" // the same without stems
)

// newMapping says how documents are indexed. Text is normalised by the
// vocabulary's rules before it gets here, so blanks are all that part words.
func newMapping() (*mapping.IndexMappingImpl, error) {
	m := bleve.NewIndexMapping()
	for name, filters := range map[string][]string{words: {porter.Name}, plain: {}} {
		if err := m.AddCustomAnalyzer(name, map[string]any{"type": custom.Name, "tokenizer": whitespace.Name, "token_filters": filters}); err != nil {
			return nil, fmt.Errorf("add analyser %s: %w", name, err)
		}
	}
	d := bleve.NewDocumentStaticMapping()
	for _, f := range []string{fType, fCase, fScope, fStated, fSaid, fDoubtful, fSpoken, fPencil} {
		d.AddFieldMappingsAt(f, keyword(f == fStated || f == fSaid))
	}
	for _, f := range []string{tStated, tSaid, tSpoken, tPencil, fRaw, fRawP} {
		d.AddFieldMappingsAt(f, text(words, f == fRaw || f == fRawP))
	}
	d.AddFieldMappingsAt(fWords, text(plain, false))
	d.AddFieldMappingsAt(fTitle, keyword(true))
	for _, f := range facets {
		d.AddFieldMappingsAt(f.field(), keyword(true))
		d.AddFieldMappingsAt(f.directField(), keyword(true))
	}
	rev := bleve.NewNumericFieldMapping()
	rev.Store, rev.IncludeInAll = false, false
	d.AddFieldMappingsAt(fRev, rev)
	body := text(plain, false)
	body.Store, body.Index = true, false
	d.AddFieldMappingsAt(fBody, body)
	m.DefaultMapping = d
	return m, nil
}

func keyword(listed bool) *mapping.FieldMapping {
	f := bleve.NewKeywordFieldMapping()
	f.Store, f.IncludeInAll, f.IncludeTermVectors, f.SkipFreqNorm, f.DocValues = false, false, false, true, listed
	return f
}

func text(analyser string, positions bool) *mapping.FieldMapping {
	f := bleve.NewTextFieldMapping()
	f.Analyzer = analyser
	f.Store, f.IncludeInAll, f.IncludeTermVectors, f.SkipFreqNorm, f.DocValues = false, false, positions, !positions, false
	return f
}

// fingerprint changes whenever the same cases would make other documents: with
// the mapping, the vocabulary, the kinds or the version.
func fingerprint(m mapping.IndexMapping, v *terms.Vocabulary) (string, error) {
	b, err := json.Marshal([]any{version, m, v.All(), annotate.Kinds()})
	if err != nil {
		return "", fmt.Errorf("describe the index: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}
