//go:build unix && !linux

package local

import "syscall"

// dieWithUs has no counterpart here; the keeper does it alone.
func dieWithUs(*syscall.SysProcAttr) {}
