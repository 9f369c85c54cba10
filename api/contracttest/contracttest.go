// Package contracttest sends requests as a client would and fails the test when
// the answer is not what openapi.yaml declares. Every API test goes through it.
package contracttest

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"

	"forkwright/api"
)

// Checker holds answers to one contract.
type Checker struct {
	contract *api.Contract
}

// Load reads the contract from a file, "../openapi.yaml" from package api.
func Load(t testing.TB, path string) *Checker {
	t.Helper()
	spec, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return New(t, spec)
}

// New takes the contract's bytes.
func New(t testing.TB, spec []byte) *Checker {
	t.Helper()
	c, err := api.LoadContract(spec)
	if err != nil {
		t.Fatal(err)
	}
	return &Checker{c}
}

// Contract is the contract that answers are held to.
func (c *Checker) Contract() *api.Contract { return c.contract }

// Answer is what came back, read to its end.
type Answer struct {
	Status int
	Header http.Header
	Body   []byte
}

// JSON decodes the body.
func (a Answer) JSON(t testing.TB, into any) {
	t.Helper()
	if err := json.Unmarshal(a.Body, into); err != nil {
		t.Fatalf("%v in %s", err, a.Body)
	}
}

// Problem is a problem document as tests look at it.
type Problem struct {
	Type, Title, Detail, Instance, Code string
	Status                              int
	RequestID                           string `json:"request_id"`
	Errors                              []struct{ Pointer, Code, Detail string }
	Candidates                          []struct{ ID, Label string }
	Question                            *struct {
		Code, Text, Field string
		Choices           []string
	}
}

// Problem decodes a problem document; it fails when the answer is none.
func (a Answer) Problem(t testing.TB) Problem {
	t.Helper()
	if got := a.Header.Get("Content-Type"); got != "application/problem+json" {
		t.Fatalf("status %d with %q is no problem: %s", a.Status, got, a.Body)
	}
	var p Problem
	a.JSON(t, &p)
	return p
}

// Send sends a request to a handler and checks the answer. A request that was
// answered with success must be one that the contract allows.
func (c *Checker) Send(t testing.TB, h http.Handler, req *http.Request) Answer {
	t.Helper()
	body := keepBody(t, req)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, req)
	a := Answer{Status: w.Code, Header: w.Result().Header, Body: w.Body.Bytes()}
	c.check(t, req, body, a)
	return a
}

// SendTo is Send over the network.
func (c *Checker) SendTo(t testing.TB, client *http.Client, req *http.Request) Answer {
	t.Helper()
	body := keepBody(t, req)
	res, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	got, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	a := Answer{Status: res.StatusCode, Header: res.Header, Body: got}
	c.check(t, req, body, a)
	return a
}

// Call makes a request and sends it. A body is JSON when headers say nothing
// else; headers are "Name: value".
func (c *Checker) Call(t testing.TB, h http.Handler, method, target, key, body string, headers ...string) Answer {
	t.Helper()
	return c.Send(t, h, NewRequest(method, target, key, body, headers...))
}

// NewRequest makes the request of Call.
func NewRequest(method, target, key, body string, headers ...string) *http.Request {
	var r io.Reader
	if body != "" {
		r = strings.NewReader(body)
	}
	req := httptest.NewRequest(method, target, r)
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	if key != "" {
		req.Header.Set("Authorization", "Bearer "+key)
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ":")
		req.Header.Set(name, strings.TrimSpace(value))
	}
	return req
}

func keepBody(t testing.TB, req *http.Request) []byte {
	t.Helper()
	if req.Body == nil {
		return nil
	}
	b, err := io.ReadAll(req.Body)
	if err != nil {
		t.Fatal(err)
	}
	req.Body = io.NopCloser(bytes.NewReader(b))
	return b
}

func (c *Checker) check(t testing.TB, req *http.Request, body []byte, a Answer) {
	t.Helper()
	x := api.Exchange{Request: req, RequestBody: body, Status: a.Status, Header: a.Header, Body: a.Body}
	if err := c.contract.CheckAnswer(x); err != nil {
		t.Errorf("%s %s: %d: %v\n%s", req.Method, req.URL, a.Status, err, shown(a.Body))
	}
	if a.Status < 300 && req.Method != http.MethodOptions {
		if err := c.contract.CheckRequest(x); err != nil {
			t.Errorf("%s %s was accepted, but: %v\n%s", req.Method, req.URL, err, shown(body))
		}
	}
}

func shown(b []byte) []byte {
	if len(b) > 2000 {
		return b[:2000]
	}
	return b
}
