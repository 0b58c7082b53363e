//go:build !linux && !darwin

package upload

import "math"

// free cannot be asked here; a full disk is then met while writing.
func free(string) (int64, error) { return math.MaxInt64, nil }
