//go:build unix && !linux

package reliability_test

import "syscall"

// endsWithUs does nothing: only Linux can.
func endsWithUs() *syscall.SysProcAttr { return nil }
