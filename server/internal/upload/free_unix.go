//go:build linux || darwin

package upload

import "syscall"

// free gives the bytes that may still be written to the file system of dir.
func free(dir string) (int64, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}
