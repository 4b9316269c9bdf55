package pgboot

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// serves tells whether a process is the server of a cluster: such a process works in the cluster's folder. Process numbers are used
// again, so that one lives says nothing. A container's root may be forbidden to ask; what the process was started with is then told.
func serves(pid int, cluster string) (bool, error) {
	proc := filepath.Join("/proc", strconv.Itoa(pid))
	at, err := os.Readlink(filepath.Join(proc, "cwd"))
	switch {
	case err == nil:
		return at == cluster, nil
	case !errors.Is(err, fs.ErrPermission):
		return false, nil // gone, or dead and not yet buried
	}
	raw, err := os.ReadFile(filepath.Join(proc, "cmdline"))
	if err != nil {
		return false, fmt.Errorf("what process %d was started with: %w", pid, err)
	}
	return slices.Contains(strings.Split(string(raw), "\x00"), cluster), nil
}

// dieWithParent has the kernel end a process together with the thread that started it.
func dieWithParent(attr *syscall.SysProcAttr) { attr.Pdeathsig = syscall.SIGQUIT }
