package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"time"

	gojson "encoding/json"

	"github.com/go-json-experiment/json"
	jsonv1 "github.com/go-json-experiment/json/v1"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/labstack/echo/v4"

	"forkwright/api"
	"forkwright/service/caller"
)

// bareOp is one route of the bare server: it reads a body strictly into the operation's type,
// runs Selects if there are any, and writes one fixed answer.
type bareOp struct {
	Operation string       `json:"operation"`
	Method    string       `json:"method"`
	Path      string       `json:"path"` // as echo writes it
	Answer    string       `json:"answer"`
	Type      string       `json:"type"` // of the answer; application/json is decoded once and encoded each time
	Account   string       `json:"account,omitempty"`
	Selects   []bareSelect `json:"selects,omitempty"`
}

// bareSelect is one select; each argument is a string or a list of strings.
type bareSelect struct {
	SQL  string `json:"sql"`
	Args []any  `json:"args"`
}

type bareConfig struct {
	Addr, Database string
	Ops            []bareOp
	Nothing        int // serve answers of so many bytes without doing anything instead
}

// writeOptions are those of the service: the fixed answers are checked to come out the same.
var writeOptions = json.JoinOptions(json.Deterministic(true), jsonv1.OmitEmptyWithLegacySemantics(true))

// nobody stands in where only the types of operations are asked for.
type nobody struct{}

func (nobody) Authenticate(context.Context, string) (caller.Caller, error) {
	return caller.Caller{}, errors.New("nobody is known here")
}

func shapes() (*api.Server, error) {
	return api.New(api.Config{Log: slog.New(slog.DiscardHandler), Random: rand.Reader, Now: time.Now},
		api.Deps{Auth: nobody{}, Revision: func() (int64, bool) { return 0, false }})
}

// serveBare is the child process that the service is compared with.
func serveBare(ctx context.Context, configFile string) error {
	text, err := os.ReadFile(configFile)
	if err != nil {
		return err
	}
	var cfg bareConfig
	if err := gojson.Unmarshal(text, &cfg); err != nil {
		return err
	}
	l, err := net.Listen("tcp", cfg.Addr)
	if err != nil {
		return err
	}
	go func() { <-ctx.Done(); _ = l.Close() }() // nothing that is under way is worth waiting for
	if cfg.Nothing > 0 {
		err = serveNothing(l, cfg.Nothing)
	} else {
		err = cfg.serve(ctx, l)
	}
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// serveNothing answers each request with the same bytes: what that takes is the generator's and
// the kernel's own time.
func serveNothing(l net.Listener, size int) error {
	answer := fmt.Appendf(nil, "HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n%s", size, strings.Repeat("x", size))
	for {
		c, err := l.Accept()
		if err != nil {
			return err
		}
		go func() {
			defer c.Close()
			for in := bufio.NewReader(c); skipRequest(in) == nil; {
				if _, err := c.Write(answer); err != nil {
					return
				}
			}
		}()
	}
}

func skipRequest(in *bufio.Reader) error {
	length := 0
	for {
		line, err := in.ReadSlice('\n')
		if err != nil {
			return err
		}
		line = bytes.TrimSpace(line)
		if len(line) == 0 {
			_, err = in.Discard(length)
			return err
		}
		if digits, ok := bytes.CutPrefix(line, []byte("Content-Length: ")); ok {
			if length, err = strconv.Atoi(string(digits)); err != nil {
				return err
			}
		}
	}
}

func (cfg bareConfig) serve(ctx context.Context, l net.Listener) error {
	types, err := shapes()
	if err != nil {
		return err
	}
	e := echo.New()
	e.GET("/readyz", func(c echo.Context) error { return c.NoContent(http.StatusOK) })
	var pool *pgxpool.Pool
	if cfg.Database != "" {
		if pool, err = pgxpool.New(ctx, cfg.Database); err != nil {
			return err
		}
	}
	for _, op := range cfg.Ops {
		h, err := op.handler(types, pool)
		if err != nil {
			return fmt.Errorf("%s: %w", op.Operation, err)
		}
		e.Add(op.Method, op.Path, h)
	}
	return http.Serve(l, e)
}

var buffers = sync.Pool{New: func() any { return new(bytes.Buffer) }}

func (op bareOp) handler(types *api.Server, pool *pgxpool.Pool) (echo.HandlerFunc, error) {
	body, answer := types.Shape(op.Operation)
	var fixed any
	if op.Type == "application/json" {
		if answer == nil {
			return nil, errors.New("no such operation")
		}
		v := reflect.New(answer)
		if err := json.Unmarshal([]byte(op.Answer), v.Interface(), json.RejectUnknownMembers(true)); err != nil {
			return nil, err
		}
		fixed = v.Elem().Interface()
		again, err := json.Marshal(fixed, writeOptions)
		if err != nil {
			return nil, err
		}
		if string(again) != op.Answer {
			return nil, errors.New("the answer does not come out of its type as it went in")
		}
	}
	op.readArgs()
	return func(c echo.Context) error {
		req := c.Request()
		if body != nil {
			data := make([]byte, req.ContentLength)
			if _, err := io.ReadFull(req.Body, data); err != nil {
				return err
			}
			if err := json.Unmarshal(data, reflect.New(body).Interface(), json.RejectUnknownMembers(true)); err != nil {
				return err
			}
		}
		if len(op.Selects) > 0 {
			if err := op.query(req.Context(), pool); err != nil {
				return err
			}
		}
		if fixed == nil {
			c.Response().Header().Set("Content-Length", strconv.Itoa(len(op.Answer)))
			return c.Blob(http.StatusOK, op.Type, []byte(op.Answer))
		}
		buf := buffers.Get().(*bytes.Buffer)
		defer buffers.Put(buf)
		buf.Reset()
		if err := json.MarshalWrite(buf, fixed, writeOptions); err != nil {
			return err
		}
		c.Response().Header().Set("Content-Length", strconv.Itoa(buf.Len()))
		return c.Blob(http.StatusOK, op.Type, buf.Bytes())
	}, nil
}

// readArgs makes lists of strings of what JSON made lists of anything.
func (op bareOp) readArgs() {
	for _, s := range op.Selects {
		for i, v := range s.Args {
			list, ok := v.([]any)
			if !ok {
				continue
			}
			texts := make([]string, len(list))
			for j := range list {
				texts[j] = list[j].(string)
			}
			s.Args[i] = texts
		}
	}
}

// query reads all rows and keeps none; with an account, in one transaction and one round trip.
func (op bareOp) query(ctx context.Context, pool *pgxpool.Pool) error {
	read := func(rows pgx.Rows) error {
		for rows.Next() {
			rows.RawValues()
		}
		return rows.Err()
	}
	if op.Account == "" && len(op.Selects) == 1 {
		rows, err := pool.Query(ctx, op.Selects[0].SQL, op.Selects[0].Args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		return read(rows)
	}
	b := &pgx.Batch{}
	if op.Account != "" {
		b.Queue(`SELECT set_config('app.account', $1, true)`, op.Account)
	}
	for _, s := range op.Selects {
		b.Queue(s.SQL, s.Args...).Query(read)
	}
	return pool.SendBatch(ctx, b).Close()
}
