package main

import (
	"os/exec"
	"syscall"
)

// dieWithUs has the kernel end the child when we end, however that happens.
func dieWithUs(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }
