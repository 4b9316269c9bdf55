//go:build unix && !linux

package pgboot

import (
	"errors"
	"fmt"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
)

// serves tells whether a process is the server of a cluster, by what it was started with. Process numbers are used again, so that one
// lives says nothing.
func serves(pid int, cluster string) (bool, error) {
	said, err := exec.Command("ps", "-ww", "-o", "args=", "-p", strconv.Itoa(pid)).Output()
	var ended *exec.ExitError
	if errors.As(err, &ended) {
		return false, nil // no such process
	}
	if err != nil {
		return false, fmt.Errorf("what process %d was started with: %w", pid, err)
	}
	return strings.Contains(string(said), "-D "+cluster+" "), nil
}

// dieWithParent does nothing: only Linux can.
func dieWithParent(*syscall.SysProcAttr) {}
