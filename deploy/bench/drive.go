package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"sync/atomic"
	"time"
)

// request is a whole HTTP request as bytes. Where stamp is above zero, 16 digits that are never
// the same twice are written there before it is sent.
type request struct {
	bytes []byte
	stamp int
}

// stamps counts on through all runs of this process.
var stamps atomic.Int64

// build writes a request; a %STAMP% in a header becomes its stamp.
func build(method, target, key, accept, body string, headers ...string) request {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s %s HTTP/1.1\r\nHost: bench\r\n", method, target)
	if key != "" {
		fmt.Fprintf(&b, "Authorization: Bearer %s\r\n", key)
	}
	if accept != "" {
		fmt.Fprintf(&b, "Accept: %s\r\n", accept)
	}
	for _, h := range headers {
		b.WriteString(h + "\r\n")
	}
	if body != "" {
		fmt.Fprintf(&b, "Content-Type: application/json\r\nContent-Length: %d\r\n", len(body))
	}
	b.WriteString("\r\n" + body)
	r := request{bytes: b.Bytes()}
	if at := bytes.Index(r.bytes, []byte("%STAMP%")); at > 0 {
		r.bytes = slices.Concat(r.bytes[:at], []byte("0000000000000000"), r.bytes[at+len("%STAMP%"):])
		r.stamp = at
	}
	return r
}

// accepting is the same request for another media type.
func (r request) accepting(media string) request {
	return request{bytes: bytes.Replace(r.bytes, []byte("Accept: application/json"), []byte("Accept: "+media), 1), stamp: 0}
}

// stamped is what goes out for a request, written into buf.
func (r request) stamped(buf []byte) []byte {
	buf = append(buf[:0], r.bytes...)
	if r.stamp == 0 {
		return buf
	}
	n := stamps.Add(1)
	for i := range 16 {
		buf[r.stamp+15-i] = '0' + byte(n%10)
		n /= 10
	}
	return buf
}

// wire is one keep-alive connection for questions whose answers are looked at.
type wire struct {
	net.Conn
	in   *bufio.Reader
	body []byte // of the answer read last
}

func dial(addr string) (*wire, error) {
	c, err := net.DialTimeout("tcp", addr, 2*time.Second)
	if err != nil {
		return nil, err
	}
	return &wire{Conn: c, in: bufio.NewReader(c)}, nil
}

func (w *wire) ask(r request) (status int, err error) {
	if err := w.SetDeadline(time.Now().Add(30 * time.Second)); err != nil {
		return 0, err
	}
	if _, err := w.Write(r.stamped(nil)); err != nil {
		return 0, err
	}
	return w.answer()
}

var lengthName = []byte("content-length: ")

func (w *wire) answer() (status int, err error) {
	line, err := w.in.ReadSlice('\n')
	if err != nil {
		return 0, err
	}
	if len(line) < 12 {
		return 0, errors.New("no status line")
	}
	if status, err = strconv.Atoi(string(line[9:12])); err != nil {
		return 0, err
	}
	length := -1
	for {
		if line, err = w.in.ReadSlice('\n'); err != nil {
			return 0, err
		}
		line = bytes.TrimRight(line, "\r\n")
		if len(line) == 0 {
			break
		}
		if len(line) > len(lengthName) && bytes.EqualFold(line[:len(lengthName)], lengthName) {
			if length, err = strconv.Atoi(string(line[len(lengthName):])); err != nil {
				return 0, err
			}
		}
	}
	if length < 0 {
		return 0, errors.New("an answer without Content-Length")
	}
	w.body = make([]byte, length)
	_, err = io.ReadFull(w.in, w.body)
	return status, err
}

// askOnce sends one request on a connection of its own and gives the whole body.
func askOnce(addr string, r request) (status int, body []byte, err error) {
	w, err := dial(addr)
	if err != nil {
		return 0, nil, err
	}
	defer w.Close()
	status, err = w.ask(r)
	return status, w.body, err
}

// load is what a run under load came to.
type load struct {
	done, failed int
	took         time.Duration
	cpu          time.Duration // of the process that answered
	own          time.Duration // processor time of the generator
	samples      []sample      // of paced runs only
}

// sample is one answer of a paced run.
type sample struct {
	at   time.Time // of the answer
	took time.Duration
}

func (l *load) count(status int) {
	l.done++
	if status < 200 || status > 299 {
		l.failed++
	}
}

func (l load) perSecond() float64 { return float64(l.done) / l.took.Seconds() }

// cpuEach is the processor time that one answer cost the process, in microseconds; ownEach
// what it cost the generator.
func (l load) cpuEach() float64 { return float64(l.cpu.Microseconds()) / float64(max(l.done, 1)) }
func (l load) ownEach() float64 { return float64(l.own.Microseconds()) / float64(max(l.done, 1)) }

// p99 is the latency, in milliseconds, that one answer in a hundred took longer than, of the
// answers that were under way between two times (zero times: all).
func (l load) p99(from, to time.Time) float64 {
	var took []time.Duration
	for _, s := range l.samples {
		if (from.IsZero() || s.at.After(from)) && (to.IsZero() || s.at.Add(-s.took).Before(to)) {
			took = append(took, s.took)
		}
	}
	if len(took) == 0 {
		return 0
	}
	slices.Sort(took)
	return float64(took[len(took)*99/100].Microseconds()) / 1000
}

func (l load) p99All() float64 { return l.p99(time.Time{}, time.Time{}) }

// connections is how many keep-alive connections ask at once.
const connections = 8

// closed asks as fast as answers come, from all connections, for d.
func closed(to target, reqs []request, d time.Duration) (load, error) {
	return closedBy(to, reqs, d, connections)
}

func closedBy(to target, reqs []request, d time.Duration, conns int) (load, error) {
	end := time.Now().Add(d)
	return drive(to, reqs, conns, 0, func(at time.Time, _ int) bool { return at.Before(end) })
}

// once asks each of the requests one time, from all connections, as fast as answers come.
func once(to target, reqs []request) (load, error) {
	return drive(to, reqs, connections, 0, func(_ time.Time, sent int) bool { return sent < len(reqs) })
}

// paced asks so many times a second whatever the answers do.
func paced(to target, reqs []request, perSecond float64, d time.Duration) (load, error) {
	end := time.Now().Add(d)
	return drive(to, reqs, connections, perSecond, func(at time.Time, _ int) bool { return at.Before(end) })
}

// pacedWhile asks so many times a second until done is closed; onceWhile also ends after the
// last request.
func pacedWhile(done <-chan struct{}, to target, reqs []request, perSecond float64) (load, error) {
	return drive(to, reqs, connections, perSecond, func(time.Time, int) bool { return !isClosed(done) })
}

func onceWhile(done <-chan struct{}, to target, reqs []request, perSecond float64) (load, error) {
	return drive(to, reqs, connections, perSecond, func(_ time.Time, sent int) bool { return sent < len(reqs) && !isClosed(done) })
}

func isClosed(done <-chan struct{}) bool {
	select {
	case <-done:
		return true
	default:
		return false
	}
}

// drive asks over so many connections, perSecond times a second or, with 0, as fast as answers
// come, for as long as open says; at is when the next request would go out, sent how many have.
func drive(to target, reqs []request, conns int, perSecond float64, open func(at time.Time, sent int) bool) (load, error) {
	g := &generator{reqs: reqs, open: open}
	if perSecond > 0 {
		g.every = time.Duration(float64(time.Second) / perSecond)
	}
	if err := g.dial(to.addr, conns); err != nil {
		return load{}, err
	}
	defer g.close()
	before, start := cpuOf(to.pid), time.Now()
	err := g.run()
	g.load.took, g.load.cpu = time.Since(start), cpuOf(to.pid)-before
	return g.load, err
}
