package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"net"
	"slices"
	"strconv"
	"sync"
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

// wire is one keep-alive connection. It reads just enough of an answer to count it.
type wire struct {
	net.Conn
	in   *bufio.Reader
	out  []byte
	body []byte // of the answer read last, if kept
	keep bool
}

func dial(addr string) (*wire, error) {
	c, err := net.DialTimeout("tcp", addr, 2*time.Second)
	if err != nil {
		return nil, err
	}
	return &wire{Conn: c, in: bufio.NewReaderSize(c, 256<<10)}, nil
}

func (w *wire) ask(r request) (status int, err error) {
	out := r.bytes
	if r.stamp > 0 {
		w.out = append(w.out[:0], r.bytes...)
		n := stamps.Add(1)
		for i := range 16 {
			w.out[r.stamp+15-i] = '0' + byte(n%10)
			n /= 10
		}
		out = w.out
	}
	if err := w.SetDeadline(time.Now().Add(30 * time.Second)); err != nil {
		return 0, err
	}
	if _, err := w.Write(out); err != nil {
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
	if w.keep {
		w.body = make([]byte, length)
		for n := 0; n < length; {
			k, err := w.in.Read(w.body[n:])
			if err != nil {
				return 0, err
			}
			n += k
		}
		return status, nil
	}
	_, err = w.in.Discard(length)
	return status, err
}

// askOnce sends one request on a connection of its own and gives the whole body.
func askOnce(addr string, r request) (status int, body []byte, err error) {
	w, err := dial(addr)
	if err != nil {
		return 0, nil, err
	}
	defer w.Close()
	w.keep = true
	status, err = w.ask(r)
	return status, w.body, err
}

// load is what a run under load came to.
type load struct {
	done, failed int
	took         time.Duration
	cpu          time.Duration // of the process that answered
	samples      []sample      // of paced runs only
}

// sample is one answer of a paced run.
type sample struct {
	at   time.Time // of the answer
	took time.Duration
}

func (l load) perSecond() float64 { return float64(l.done) / l.took.Seconds() }

// cpuEach is the processor time that one answer cost the process, in microseconds.
func (l load) cpuEach() float64 { return float64(l.cpu.Microseconds()) / float64(max(l.done, 1)) }

// p99 is the latency, in milliseconds, that one answer in a hundred took longer than, of the
// answers between two times (zero times: all).
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

// connections is how many keep-alive connections ask at once.
const connections = 8

// closed asks as fast as answers come, from all connections, for d.
func closed(to target, reqs []request, d time.Duration) (load, error) {
	return closedBy(to, reqs, d, connections)
}

func closedBy(to target, reqs []request, d time.Duration, conns int) (load, error) {
	return run(to, reqs, conns, func(w *wire, next func() request, worker int, l *load) error {
		for end := time.Now().Add(d); time.Now().Before(end); {
			status, err := w.ask(next())
			if err != nil {
				return err
			}
			l.count(status)
		}
		return nil
	})
}

// paced asks so many times a second whatever the answers do. A request that was due while the
// one before it was out counts from when it was due.
func paced(to target, reqs []request, perSecond float64, d time.Duration) (load, error) {
	const conns = connections
	every := time.Duration(float64(conns) / perSecond * float64(time.Second))
	start := time.Now().Add(5 * time.Millisecond)
	return run(to, reqs, conns, func(w *wire, next func() request, worker int, l *load) error {
		due := start.Add(every * time.Duration(worker) / time.Duration(conns))
		for end := start.Add(d); due.Before(end); due = due.Add(every) {
			from := due
			if wait := time.Until(due); wait > 0 {
				time.Sleep(wait)
				from = time.Now() // waking late is our own doing
			}
			status, err := w.ask(next())
			if err != nil {
				return err
			}
			now := time.Now()
			l.samples = append(l.samples, sample{now, now.Sub(from)})
			l.count(status)
		}
		return nil
	})
}

func (l *load) count(status int) {
	l.done++
	if status < 200 || status > 299 {
		l.failed++
	}
}

// run opens the connections, lets work use each, and sums up. A broken connection is an error.
func run(to target, reqs []request, conns int, work func(w *wire, next func() request, worker int, l *load) error) (load, error) {
	var total load
	var mu sync.Mutex
	var all sync.WaitGroup
	var first error
	wires := make([]*wire, conns)
	for i := range wires {
		w, err := dial(to.addr)
		if err != nil {
			return total, err
		}
		defer w.Close()
		wires[i] = w
	}
	before, start := cpuOf(to.pid), time.Now()
	for i, w := range wires {
		all.Go(func() {
			var l load
			at := i * len(reqs) / conns
			err := work(w, func() request { at++; return reqs[at%len(reqs)] }, i, &l)
			mu.Lock()
			defer mu.Unlock()
			total.done, total.failed, total.samples = total.done+l.done, total.failed+l.failed, append(total.samples, l.samples...)
			if err != nil && first == nil {
				first = err
			}
		})
	}
	all.Wait()
	total.took, total.cpu = time.Since(start), cpuOf(to.pid)-before
	return total, first
}
