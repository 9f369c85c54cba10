package local

import "syscall"

// dieWithUs asks the kernel to stop the child when the thread that started it
// ends, however that happens; SIGQUIT is Postgres' immediate shutdown, after
// which its own children are gone too.
func dieWithUs(attr *syscall.SysProcAttr) { attr.Pdeathsig = syscall.SIGQUIT }
