package store

import (
	"bytes"
	"context"
	"fmt"

	"go.etcd.io/bbolt"
)

// Keep puts value under key on a shelf. A shelf is there as soon as something
// is kept on it. Nothing of this is in the change log.
func (s *Store) Keep(ctx context.Context, shelf, key string, value []byte) error {
	return s.Swap(ctx, shelf, key, func([]byte) ([]byte, error) {
		if value == nil {
			return []byte{}, nil
		}
		return value, nil
	})
}

// Take reads what is under key on a shelf; false where there is nothing. It
// stays there.
func (s *Store) Take(ctx context.Context, shelf, key string) (value []byte, ok bool, err error) {
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		if b := tx.Bucket([]byte(shelvesBucket)).Bucket([]byte(shelf)); b != nil {
			v := b.Get([]byte(key))
			value, ok = bytes.Clone(v), v != nil
		}
		return nil
	})
	return value, ok, err
}

// Forget removes what is under key on a shelf, if there is anything.
func (s *Store) Forget(ctx context.Context, shelf, key string) error {
	return s.Swap(ctx, shelf, key, func([]byte) ([]byte, error) { return nil, nil })
}

// Each calls fn with everything on a shelf in the order of keys, as it was
// when Each was called. No transaction is open meanwhile: fn may use the store.
func (s *Store) Each(ctx context.Context, shelf string, fn func(key string, value []byte) error) error {
	type pair struct {
		key   string
		value []byte
	}
	var all []pair
	err := s.view(ctx, func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(shelvesBucket)).Bucket([]byte(shelf))
		if b == nil {
			return nil
		}
		return eachIn(ctx, b, nil, func(k, v []byte) error {
			all = append(all, pair{string(k), bytes.Clone(v)})
			return nil
		})
	})
	if err != nil {
		return err
	}
	for _, p := range all {
		if err := fn(p.key, p.value); err != nil {
			return err
		}
	}
	return nil
}

// Swap replaces what is under key on a shelf by what fn makes of it, with
// nobody else's write between. fn gets nil where there is nothing; nil from
// fn removes the key, and an error leaves it as it was and is returned. fn must
// be quick and must not use the store: every other writer waits for it.
func (s *Store) Swap(ctx context.Context, shelf, key string, fn func(old []byte) ([]byte, error)) error {
	if shelf == "" || key == "" {
		return fmt.Errorf("keep %q on the shelf %q: both need a name", key, shelf)
	}
	return s.update(ctx, func(tx *bbolt.Tx) error {
		b, err := tx.Bucket([]byte(shelvesBucket)).CreateBucketIfNotExists([]byte(shelf))
		if err != nil {
			return err
		}
		value, err := theirs(fn, bytes.Clone(b.Get([]byte(key))))
		if err != nil {
			return err
		}
		if value == nil {
			return b.Delete([]byte(key))
		}
		return b.Put([]byte(key), value)
	})
}

// theirs runs a caller's function; its panic is its own and no damaged file.
func theirs(fn func([]byte) ([]byte, error), old []byte) ([]byte, error) {
	defer func() {
		if r := recover(); r != nil {
			panic(foreign{r})
		}
	}()
	return fn(old)
}
