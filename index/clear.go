package index

import (
	"context"
	"encoding/binary"
	"fmt"

	"github.com/blevesearch/bleve/v2"
)

// clearing is how many documents are taken out in one step.
const clearing = 2000

// Clear empties the index and takes it back to change number 0, for the caller
// to apply all cases again. Searches meanwhile find less and less.
func (x *Index) Clear(ctx context.Context) error {
	x.seq.Store(0)
	for {
		all := bleve.NewSearchRequestOptions(bleve.NewMatchAllQuery(), clearing, 0, false)
		found, err := x.b.SearchInContext(ctx, all)
		if err != nil {
			return fmt.Errorf("list the search index: %w", err)
		}
		batch := x.b.NewBatch()
		batch.SetInternal(seqKey, binary.BigEndian.AppendUint64(nil, 0))
		for _, h := range found.Hits {
			batch.Delete(h.ID)
		}
		if err := x.b.Batch(batch); err != nil {
			return fmt.Errorf("clear the search index: %w", err)
		}
		if len(found.Hits) < clearing {
			return nil
		}
	}
}
