package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
)

// client calls the API as anybody's program would.
type client struct {
	base, key string
	kept      map[string]json.RawMessage // answers by step, for --json
}

// refusal is a problem document (RFC 9457).
type refusal struct {
	Status    int    `json:"status"`
	Code      string `json:"code"`
	Detail    string `json:"detail"`
	FeedID    string `json:"feed_id"`
	RequestID string `json:"request_id"`
}

// Error names what to ask after: the feed that was refused, or the request that failed on the
// service's side.
func (r refusal) Error() string {
	text := strings.TrimSpace(fmt.Sprintf("%d %s", r.Status, r.Code)) + ": " + r.Detail
	switch {
	case r.FeedID != "":
		text += " (feed_id " + r.FeedID + ")"
	case r.Status >= http.StatusInternalServerError && r.RequestID != "":
		text += " (request_id " + r.RequestID + ")"
	}
	return text
}

func (c *client) get(ctx context.Context, step, path string, query url.Values, into any) error {
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	return c.do(ctx, step, http.MethodGet, path, nil, nil, into)
}

func (c *client) post(ctx context.Context, step, path string, header http.Header, body, into any) error {
	return c.do(ctx, step, http.MethodPost, path, header, body, into)
}

func (c *client) do(ctx context.Context, step, method, path string, header http.Header, body, into any) error {
	var content io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return err
		}
		content = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(ctx, method, c.base+path, content)
	if err != nil {
		return err
	}
	for name, values := range header {
		req.Header[name] = values
	}
	req.Header.Set("Authorization", "Bearer "+c.key)
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(res.Body, 16<<20))
	if err != nil {
		return err
	}
	if res.StatusCode >= 400 {
		r := refusal{Status: res.StatusCode, Detail: strings.TrimSpace(string(answer))}
		_ = json.Unmarshal(answer, &r) // a proxy may answer in words of its own
		return fmt.Errorf("%s %s: %w", method, path, r)
	}
	if c.kept != nil {
		c.kept[step] = answer
	}
	return json.Unmarshal(answer, into)
}
