package reliability_test

import "syscall"

// endsWithUs has the kernel end a child together with the thread that started it.
func endsWithUs() *syscall.SysProcAttr { return &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }
