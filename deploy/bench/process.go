package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// target is a process that answers on an address.
type target struct {
	addr string
	pid  int
}

// cpuOf is the processor time that the threads of a process have used; 0 where /proc has none.
func cpuOf(pid int) (used time.Duration) {
	threads, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid)) // only a bad pattern fails
	for _, file := range threads {
		text, err := os.ReadFile(file)
		if err != nil {
			continue // the thread has just ended
		}
		ns, _, _ := strings.Cut(string(text), " ")
		n, _ := strconv.ParseInt(ns, 10, 64)
		used += time.Duration(n)
	}
	return used
}

// memoryOf is what a process holds now and held at most, in MiB.
func memoryOf(pid int) (now, most float64) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, 0
	}
	for line := range strings.SplitSeq(string(text), "\n") {
		f := strings.Fields(line)
		if len(f) < 2 {
			continue
		}
		kib, _ := strconv.ParseFloat(f[1], 64)
		switch f[0] {
		case "VmRSS:":
			now = kib / 1024
		case "VmHWM:":
			most = kib / 1024
		}
	}
	return now, most
}

// child is a process of ours that serves until it is stopped.
type child struct {
	target
	cmd    *exec.Cmd
	exited chan struct{}
	log    string
}

// spawn starts a program that will answer on addr, its log in a file.
func spawn(bin, log, addr string, env []string, args ...string) (*child, error) {
	f, err := os.Create(log)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	c := &child{cmd: exec.Command(bin, args...), exited: make(chan struct{}), log: log}
	c.cmd.Env, c.cmd.Stdout, c.cmd.Stderr = append(os.Environ(), env...), f, f
	dieWithUs(c.cmd)
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread() // the parent-death signal follows the thread; it ends with this goroutine
		err := c.cmd.Start()
		started <- err
		if err == nil {
			_ = c.cmd.Wait() // how it ended is in its log
			close(c.exited)
		}
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	c.target = target{addr, c.cmd.Process.Pid}
	return c, nil
}

// ready waits until a path answers 200.
func (c *child) ready(ctx context.Context, path string) error {
	r := build("GET", path, "", "", "")
	for end := time.Now().Add(2 * time.Minute); ; {
		if status, _, err := askOnce(c.addr, r); err == nil && status == 200 {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-c.exited:
			text, _ := os.ReadFile(c.log)
			return fmt.Errorf("%s ended while starting: %s", c.cmd.Path, text[max(0, len(text)-600):])
		case <-time.After(time.Millisecond):
			if time.Now().After(end) {
				return errors.New("not ready after two minutes")
			}
		}
	}
}

func (c *child) stop() {
	_ = c.cmd.Process.Signal(syscall.SIGTERM)
	select {
	case <-c.exited:
	case <-time.After(10 * time.Second):
		_ = c.cmd.Process.Kill()
		<-c.exited
	}
}

// freeAddr is a loopback address that nobody listens on just now.
func freeAddr() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer l.Close()
	return l.Addr().String(), nil
}
