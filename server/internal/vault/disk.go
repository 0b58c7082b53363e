package vault

import (
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"
)

// FullError says that the disk that holds the vault has no room for a file.
type FullError struct {
	Needed int64 // bytes; what was tried where the whole is not known
	Free   int64 // bytes, after what was half written had been removed
	Err    error
}

// Error says what is full, by how much, and what to do.
func (e *FullError) Error() string {
	need := "the file does not fit"
	if e.Needed > 0 {
		need = "the file needs at least " + amount(e.Needed)
	}
	return fmt.Sprintf("the disk that holds the library is full: %s and %s is free; make room there or move the library to a larger disk, then add the file again", need, amount(e.Free))
}

// Unwrap gives the system's error.
func (e *FullError) Unwrap() error { return e.Err }

// explain turns the system's "no space" into a [FullError].
func (v *Vault) explain(err error, needed int64) error {
	if !errors.Is(err, syscall.ENOSPC) && !errors.Is(err, syscall.EDQUOT) {
		return err
	}
	free, ferr := v.Free()
	if ferr != nil {
		return errors.Join(err, ferr)
	}
	return &FullError{Needed: needed, Free: free, Err: err}
}

// Free is how many bytes the vault's file system still takes.
func (v *Vault) Free() (int64, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(v.dir, &s); err != nil {
		return 0, fmt.Errorf("measure the free space of %s: %w", v.dir, err)
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}

// amount writes a size as people do: "2.1 GB".
func amount(n int64) string {
	const step = 1000
	f, unit := float64(n), 0
	for ; f >= step && unit < 4; unit++ {
		f /= step
	}
	if unit == 0 {
		return fmt.Sprintf("%d bytes", n)
	}
	return fmt.Sprintf("%.1f %s", f, []string{"", "kB", "MB", "GB", "TB"}[unit])
}

// ficlone asks the file system to let dst share the blocks of src
// (linux/fs.h: FICLONE); btrfs and xfs can.
const ficlone = 0x40049409

// reflink makes dst share the bytes of src and rewinds it; false where the
// file system cannot or src has been read from.
func reflink(dst, src *os.File) bool {
	if at, err := src.Seek(0, io.SeekCurrent); err != nil || at != 0 {
		return false
	}
	_, _, errno := syscall.Syscall(syscall.SYS_IOCTL, dst.Fd(), ficlone, src.Fd())
	return errno == 0
}

// startFlush has the kernel begin to write a range of f to the disk, so that
// the one fsync at the end finds little left to do. It is only a hint.
func startFlush(f *os.File, from, n int64) {
	const write = 2 // SYNC_FILE_RANGE_WRITE
	_ = syscall.SyncFileRange(int(f.Fd()), from, n, write)
}
