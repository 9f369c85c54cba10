//go:build !linux

package main

import (
	"errors"
	"os/exec"
	"time"
)

// dieWithUs has no counterpart here.
func dieWithUs(*exec.Cmd) {}

// generator needs calls that only Linux has, as the figures of /proc.
type generator struct {
	reqs  []request
	every time.Duration
	open  func(at time.Time, sent int) bool
	load  load
}

func (*generator) dial(string, int) error { return errors.New("the bench measures on Linux only") }
func (*generator) close()                 {}
func (*generator) run() error             { return nil }
