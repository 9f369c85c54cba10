package api

import (
	"context"
	"net/http"
	"time"

	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/notice"
)

// NoticeStore keeps notices. Touched counts the open quotes of all accounts with a part or a
// fork; "" asks for neither.
type NoticeStore interface {
	AddNotice(ctx context.Context, by caller.Caller, n notice.Notice) (notice.Notice, error)
	EndNotice(ctx context.Context, by caller.Caller, id string, at time.Time) (notice.Notice, error)
	Notices(ctx context.Context) (*notice.Set, error)
	AllNotices(ctx context.Context, after string, limit int) ([]notice.Notice, error)
	Touched(ctx context.Context, sku, fork string) (notice.Reach, error)
}

// keptNotice is a notice as its keeper sees it.
type keptNotice struct {
	Reply      `json:"-"`
	NoticeID   string        `json:"notice_id"`
	Kind       notice.Kind   `json:"kind"`
	Effect     notice.Effect `json:"effect"`
	SKU        string        `json:"sku,omitempty"`
	ForkID     string        `json:"fork_id,omitempty"`
	Row        string        `json:"row,omitempty"`
	Batch      string        `json:"batch,omitempty"`
	SerialFrom string        `json:"serial_from,omitempty"`
	SerialTo   string        `json:"serial_to,omitempty"`
	Text       string        `json:"text"`
	By         string        `json:"by,omitempty"`
	From       time.Time     `json:"from"`
	Until      *time.Time    `json:"until,omitempty"`
	InForce    bool          `json:"in_force"`
	Touches    *touchesOut   `json:"touches,omitempty"`
}

// touchesOut counts what a notice touches; the quotes themselves are their accounts' own.
type touchesOut struct {
	OpenQuotes     int64 `json:"open_quotes"`
	AcceptedQuotes int64 `json:"accepted_quotes"`
	Reservations   int64 `json:"reservations"`
	Accounts       int64 `json:"accounts"`
}

func keptNoticeOf(n notice.Notice, now time.Time) keptNotice {
	out := keptNotice{
		NoticeID: n.ID, Kind: n.Kind, Effect: n.Effect, SKU: n.SKU, ForkID: n.Fork, Row: n.Row, Batch: n.Batch,
		SerialFrom: n.SerialFrom, SerialTo: n.SerialTo, Text: n.Text, By: n.By, From: n.From.UTC(), InForce: n.Live(now),
	}
	if !n.Until.IsZero() {
		until := n.Until.UTC()
		out.Until = &until
	}
	return out
}

type newNoticeIn struct {
	once
	Body struct {
		Kind       notice.Kind   `json:"kind"`
		Effect     notice.Effect `json:"effect"`
		SKU        string        `json:"sku,omitempty"`
		ForkID     string        `json:"fork_id,omitempty"`
		Row        string        `json:"row,omitempty"`
		Batch      string        `json:"batch,omitempty"`
		SerialFrom string        `json:"serial_from,omitempty"`
		SerialTo   string        `json:"serial_to,omitempty"`
		Text       string        `json:"text"`
		From       *instant      `json:"from,omitempty"`
		Until      *instant      `json:"until,omitempty"`
		Unlisted   bool          `json:"unlisted,omitempty"` // what it names need not be in the active catalog
	} `body:""`
}

func (s *Server) createNotice(ctx context.Context, who caller.Caller, in newNoticeIn) (keptNotice, error) {
	b := in.Body
	n := notice.Notice{
		Kind: b.Kind, Effect: b.Effect, SKU: b.SKU, Fork: b.ForkID, Row: b.Row, Batch: b.Batch,
		SerialFrom: b.SerialFrom, SerialTo: b.SerialTo, Text: b.Text, From: s.Now(),
	}
	if b.From != nil {
		n.From = b.From.Time
	}
	if b.Until != nil {
		n.Until = b.Until.Time
	}
	if err := checkNotice(n); err != nil {
		return keptNotice{}, err
	}
	sku, err := s.named(n, b.Unlisted)
	if err != nil {
		return keptNotice{}, err
	}
	by, err := in.by(who, "createNotice", http.StatusCreated, b)
	if err != nil {
		return keptNotice{}, err
	}
	if n, err = s.NoticeStore.AddNotice(ctx, by, n); err != nil {
		return keptNotice{}, err
	}
	out, err := s.changedNotice(ctx, n, sku)
	out.Status, out.Location = http.StatusCreated, "/v1/notices/"+n.ID
	return out, err
}

func checkNotice(n notice.Notice) error {
	if err := n.Check(); err != nil {
		return err
	}
	var wrong fault.Fields
	length(&wrong, "/sku", n.SKU, 60)
	for pointer, text := range map[string]string{"/fork_id": n.Fork, "/row": n.Row, "/batch": n.Batch, "/serial_from": n.SerialFrom, "/serial_to": n.SerialTo} {
		length(&wrong, pointer, text, 100)
	}
	length(&wrong, "/text", n.Text, 4000)
	return wrong.Err()
}

// named makes sure that what a notice names is there: a stop-sale with a typing error stops
// nothing and nobody notices. It gives the part that the notice is about, "" for a fork alone.
func (s *Server) named(n notice.Notice, unlisted bool) (sku string, err error) {
	if s.Catalogs == nil {
		return n.SKU, nil
	}
	live, err := s.Catalogs.Current()
	if err != nil { // a stop-sale does not wait for a catalog
		return n.SKU, nil
	}
	var wrong fault.Fields
	unknown := func(pointer, what, name string) {
		if !unlisted {
			wrong.Add(pointer, "not_in_catalog", "%s %q is not in the active catalog. Check the spelling; to name something no longer listed, add unlisted: true.", what, name)
		}
	}
	if _, ok := live.Part(n.SKU); n.SKU != "" && !ok {
		unknown("/sku", "Part", n.SKU)
	}
	if _, ok := live.Fork(n.Fork); n.Fork != "" && !ok {
		unknown("/fork_id", "Fork", n.Fork)
	}
	row := rowOf(live.Revision, n.Row)
	if n.Row != "" && row == nil {
		unknown("/row", "Fitment row", n.Row)
	}
	if sku = n.SKU; sku == "" && row != nil {
		sku = row.Part
	}
	return sku, wrong.Err()
}

func rowOf(rev *catalog.Revision, id string) *catalog.Fitment {
	row, ok := rev.Row(id)
	if id == "" || !ok {
		return nil
	}
	return &row
}

// changedNotice shows a notice just written and what it touches, and lets this process heed
// it from the next answer on.
func (s *Server) changedNotice(ctx context.Context, n notice.Notice, sku string) (keptNotice, error) {
	if s.NoticesChanged != nil {
		if _, err := s.NoticesChanged(ctx); err != nil {
			return keptNotice{}, err
		}
	}
	out := keptNoticeOf(n, s.Now())
	if sku == "" && n.Fork == "" {
		return out, nil
	}
	r, err := s.NoticeStore.Touched(ctx, sku, n.Fork)
	out.Touches = &touchesOut{OpenQuotes: r.Open, AcceptedQuotes: r.Accepted, Reservations: r.Reservations, Accounts: r.Accounts}
	return out, err
}

type noticesOut struct {
	Notices    []keptNotice `json:"notices"`
	NextCursor string       `json:"next_cursor,omitempty"`
}

// listNotices lists all that have not ended, or page by page also those that have.
func (s *Server) listNotices(ctx context.Context, _ caller.Caller, in struct {
	page
	Ended bool `query:"ended"`
}) (noticesOut, error) {
	after, err := in.after()
	if err != nil {
		return noticesOut{}, err
	}
	var rows []notice.Notice
	next := ""
	if in.Ended {
		rows, err = s.NoticeStore.AllNotices(ctx, after, in.Limit+1)
		rows, next = cut(rows, in.Limit, func(n notice.Notice) string { return n.ID })
	} else {
		var set *notice.Set
		if set, err = s.NoticeStore.Notices(ctx); err == nil {
			rows = set.All()
		}
	}
	out := noticesOut{Notices: make([]keptNotice, 0, len(rows)), NextCursor: next}
	for _, n := range rows {
		out.Notices = append(out.Notices, keptNoticeOf(n, s.Now()))
	}
	return out, err
}

func (s *Server) withdrawNotice(ctx context.Context, who caller.Caller, in struct {
	once
	NoticeID string `path:"notice_id"`
}) (keptNotice, error) {
	by, err := in.by(who, "withdrawNotice", http.StatusOK, in.NoticeID)
	if err != nil {
		return keptNotice{}, err
	}
	n, err := s.NoticeStore.EndNotice(ctx, by, in.NoticeID, s.Now())
	if fault.CodeOf(err) == "not_found" {
		err = fault.Wrap(err, fault.NotFound, "notice_not_found", "There is no such notice.")
	}
	if err != nil {
		return keptNotice{}, err
	}
	sku, err := s.named(n, true)
	if err != nil {
		return keptNotice{}, err
	}
	return s.changedNotice(ctx, n, sku)
}
