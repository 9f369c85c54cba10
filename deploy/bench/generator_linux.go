package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"runtime"
	"slices"
	"strconv"
	"syscall"
	"time"
	"unsafe"
)

// generator asks over several connections from one thread, with the system calls that cannot
// be avoided and no others: a write and a read for each request, and a poll for all that wait.
// It shares the processor with what it measures, so what it uses is not for the two sides.
type generator struct {
	reqs  []request
	every time.Duration                     // between requests; 0: as fast as answers come
	open  func(at time.Time, sent int) bool // whether another request goes out
	load  load
	idle  []*socket
	busy  []*socket
	polls []pollFD // of busy, in its order
	sent  int
}

// socket is one keep-alive connection that never blocks.
type socket struct {
	fd     int
	from   time.Time // when the request that is out was due
	out    []byte    // that request
	in     [64 << 10]byte
	have   int // bytes of in, while the answer's head is not whole
	left   int // bytes of its body still to come; below zero: the head is not whole
	status int
}

// pollFD is struct pollfd.
type pollFD struct {
	fd              int32
	events, revents int16
}

const (
	pollIn      = 1
	usageThread = 1 // RUSAGE_THREAD
	patience    = 30 * time.Second
)

func (g *generator) dial(addr string, conns int) error {
	at, err := net.ResolveTCPAddr("tcp4", addr)
	if err != nil {
		return err
	}
	to := &syscall.SockaddrInet4{Port: at.Port, Addr: [4]byte(at.IP.To4())}
	for i := range conns {
		fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
		if err != nil {
			return err
		}
		g.idle = append(g.idle, &socket{fd: fd})
		if err := errors.Join(syscall.Connect(fd, to), syscall.SetsockoptInt(fd, syscall.IPPROTO_TCP, syscall.TCP_NODELAY, 1), syscall.SetNonblock(fd, true)); err != nil {
			return fmt.Errorf("connection %d to %s: %w", i, addr, err)
		}
	}
	return nil
}

func (g *generator) close() {
	for _, s := range append(g.idle, g.busy...) {
		_ = syscall.Close(s.fd) // nothing is written that could be lost
	}
}

// run asks until open says no and the last answer is here.
func (g *generator) run() error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	before := threadCPU()
	defer func() { g.load.own = threadCPU() - before }()
	due, starved := time.Now(), false
	for {
		now, more := time.Now(), true
		for len(g.idle) > 0 {
			at := now
			if g.every > 0 {
				at = due
			}
			if more = g.open(at, g.sent); !more || at.After(now) {
				break
			}
			from := now // waking late is our own doing
			if starved {
				from = at // waiting for a connection is not
			}
			if err := g.send(from); err != nil {
				return err
			}
			due = due.Add(g.every)
		}
		starved = g.every > 0 && len(g.idle) == 0
		if !more && len(g.busy) == 0 {
			return nil
		}
		wait := patience
		if more && len(g.idle) > 0 {
			wait = max(0, time.Until(due))
		}
		if err := g.receive(wait); err != nil {
			return err
		}
	}
}

// send gives the next request to the connection that has been free longest: one that is never
// used would be closed by the other side.
func (g *generator) send(from time.Time) error {
	s := g.idle[0]
	r := g.reqs[g.sent%len(g.reqs)]
	s.out = r.stamped(s.out)
	n, err := syscall.Write(s.fd, s.out)
	if err == nil && n < len(s.out) {
		err = errors.New("the request did not fit into the socket's buffer")
	}
	if err != nil {
		return fmt.Errorf("sending: %w", err)
	}
	g.sent++
	s.from, s.have, s.left = from, 0, -1
	g.idle, g.busy = slices.Delete(g.idle, 0, 1), append(g.busy, s)
	g.polls = append(g.polls, pollFD{fd: int32(s.fd), events: pollIn})
	return nil
}

// receive waits for answers, and takes what is there.
func (g *generator) receive(wait time.Duration) error {
	ready, err := poll(g.polls, wait)
	if err != nil {
		return fmt.Errorf("waiting for answers: %w", err)
	}
	if ready == 0 && wait >= patience {
		return fmt.Errorf("no answer within %s", patience)
	}
	for i := len(g.busy) - 1; i >= 0; i-- {
		if g.polls[i].revents == 0 {
			continue
		}
		s := g.busy[i]
		if err := s.read(); err != nil {
			return fmt.Errorf("reading an answer: %w", err)
		}
		if s.left != 0 {
			continue
		}
		g.load.count(s.status)
		if g.every > 0 {
			now := time.Now()
			g.load.samples = append(g.load.samples, sample{now, now.Sub(s.from)})
		}
		last := len(g.busy) - 1
		g.busy[i], g.polls[i] = g.busy[last], g.polls[last]
		g.busy, g.polls = g.busy[:last], g.polls[:last]
		g.idle = append(g.idle, s)
	}
	return nil
}

// read takes what has come of an answer.
func (s *socket) read() error {
	n, err := syscall.Read(s.fd, s.in[s.have:])
	switch {
	case err == syscall.EAGAIN || err == syscall.EINTR:
		return nil
	case err != nil:
		return err
	case n == 0:
		return io.ErrUnexpectedEOF
	}
	if s.left >= 0 {
		s.left -= n
		return nil
	}
	s.have += n
	return s.head()
}

var (
	headEnd    = []byte("\r\n\r\n")
	lengthLine = []byte("\r\nContent-Length: ") // as Go's servers write it
)

// head finds the status and the length once the head is whole.
func (s *socket) head() (err error) {
	got := s.in[:s.have]
	end := bytes.Index(got, headEnd)
	if end < 0 {
		if s.have == len(s.in) {
			return errors.New("a head of more than 64 KiB")
		}
		return nil
	}
	at := bytes.Index(got[:end], lengthLine)
	if end < 12 || at < 0 {
		return fmt.Errorf("no status or no length in %.200q", got[:end])
	}
	if s.status, err = strconv.Atoi(string(got[9:12])); err != nil {
		return err
	}
	digits, _, _ := bytes.Cut(got[at+len(lengthLine):end+1], []byte("\r"))
	length, err := strconv.Atoi(string(digits))
	s.left, s.have = length-(s.have-end-len(headEnd)), 0
	return err
}

// poll waits until one of the connections has something, and says how many have.
func poll(fds []pollFD, wait time.Duration) (ready int, err error) {
	for i := range fds {
		fds[i].revents = 0
	}
	limit := syscall.NsecToTimespec(int64(wait))
	n, _, errno := syscall.Syscall6(syscall.SYS_PPOLL, uintptr(unsafe.Pointer(unsafe.SliceData(fds))), uintptr(len(fds)), uintptr(unsafe.Pointer(&limit)), 0, 0, 0)
	if errno == syscall.EINTR {
		return 1, nil // nothing is marked: the next round looks again
	}
	if errno != 0 {
		return 0, errno
	}
	return int(n), nil
}

// threadCPU is the processor time of the calling thread.
func threadCPU() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(usageThread, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
