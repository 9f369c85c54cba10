package api

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/quagmt/udecimal"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/stock"
	"forkwright/service/zone"
)

// FeedStore takes feeds, and keeps what they came to and what lies where.
type FeedStore interface {
	TakeFeed(ctx context.Context, by caller.Caller, location string, u stock.Upload, parts stock.Parts, body io.Reader) (stock.Feed, error)
	TakeSharedFeed(ctx context.Context, by caller.Caller, u stock.Upload, parts stock.Parts, body io.Reader) ([]stock.Feed, error)
	Feed(ctx context.Context, accountID, id string) (stock.Feed, error)
	Feeds(ctx context.Context, location, state, before string, limit int) ([]stock.Feed, error)
	Rejects(ctx context.Context, feedID string) ([]stock.Reject, error)
	ResetFeeds(ctx context.Context, by caller.Caller, location string) (account.Location, error)
	StockAt(ctx context.Context, location, after string, limit int) ([]stock.Level, error)
	ReservationsAt(ctx context.Context, accountID, location string, after int64, afterID string, limit int) ([]stock.Reservation, error)
	PutCodes(ctx context.Context, by caller.Caller, accountID, location string, codes []stock.Code) error
	Codes(ctx context.Context, accountID, location, after string, limit int) ([]stock.Code, error)
}

// FeedDeps are what the operations on stock need.
type FeedDeps struct {
	Feeds FeedStore
}

// Five million rows are about 200 MiB. Whoever sends them may be slow; a feed that hangs is
// cut off by the time limit, and its location is free again.
var feedLimits = limits{MaxBody: 1 << 30, Timeout: 30 * time.Minute, Cost: 5}

// asOfTime is a time with its offset. In a query a plus that was not written as %2B arrives as
// a space; a time has no other.
type asOfTime struct{ time.Time }

// UnmarshalText reads 2026-10-25T02:30:00+02:00.
func (a *asOfTime) UnmarshalText(text []byte) error {
	at, err := time.Parse(time.RFC3339, strings.Replace(string(text), " ", "+", 1))
	if err != nil {
		return fault.New(fault.Invalid, "invalid_value", "a time with its UTC offset, such as 2026-10-25T02:30:00+02:00")
	}
	a.Time = at.Truncate(time.Microsecond) // what is kept is no finer
	return nil
}

// feedParams say what a feed is.
type feedParams struct {
	AsOf         asOfTime  `query:"as_of" required:"true"`
	Sequence     *int64    `query:"sequence" min:"0" max:"9007199254740991"`
	DryRun       bool      `query:"dry_run"`
	AllowMissing bool      `query:"allow_missing"`
	AllowBadRows bool      `query:"allow_bad_rows"`
	Type         string    `contenttype:""`
	Rows         io.Reader `stream:"text/csv,application/x-ndjson" gzip:"true"`
	Encoding     string    `header:"Content-Encoding" maxlen:"20"`
}

func (p feedParams) upload(kind stock.Kind, rules string) stock.Upload {
	return stock.Upload{
		Stamp:  stock.Stamp{Kind: kind, AsOf: p.AsOf.Time, Seq: p.Sequence},
		Format: stock.Format(p.Type), DryRun: p.DryRun, Rules: rules,
		Allow: stock.Allow{BadRows: p.AllowBadRows, Missing: p.AllowMissing},
	}
}

type feedOut struct {
	Reply      `json:"-"`
	ID         string           `json:"feed_id,omitempty"`
	Location   string           `json:"location"`
	Kind       string           `json:"kind"`
	State      string           `json:"state"`
	AsOf       time.Time        `json:"as_of"`
	Sequence   *int64           `json:"sequence,omitempty"`
	DryRun     bool             `json:"dry_run"`
	Counts     stock.Counts     `json:"counts"`
	Bytes      int64            `json:"bytes"`
	Digest     string           `json:"digest,omitempty"`
	Code       string           `json:"code,omitempty"`
	Problem    string           `json:"problem,omitempty"`
	Undercut   []stock.Undercut `json:"undercut"`
	StartedAt  time.Time        `json:"started_at"`
	FinishedAt *time.Time       `json:"finished_at,omitempty"`
	DurationMS *int64           `json:"duration_ms,omitempty"`
	Rejects    string           `json:"rejects,omitempty"` // where the bad rows are listed
}

func feedWire(f stock.Feed) feedOut {
	out := feedOut{
		ID: f.ID, Location: f.Location, Kind: string(f.Kind), State: f.State, AsOf: f.AsOf.UTC(), Sequence: f.Seq, DryRun: f.DryRun,
		Counts: f.Counts, Bytes: f.Bytes, Digest: hex.EncodeToString(f.Digest), Code: f.Code, Problem: f.Problem, Undercut: f.Undercut,
		StartedAt: f.StartedAt.UTC(), FinishedAt: utc(f.FinishedAt),
	}
	if f.FinishedAt != nil {
		ms := f.FinishedAt.Sub(f.StartedAt).Milliseconds()
		out.DurationMS = &ms
	}
	if f.Counts.Rejected > 0 && f.ID != "" {
		out.Rejects = "/v1/feeds/" + f.ID + "/rejects"
	}
	return out
}

type locationFeedIn struct {
	Location string `path:"location" maxlen:"40"`
	feedParams
}

func (s *Server) putLocationStock(ctx context.Context, who caller.Caller, in locationFeedIn) (feedOut, error) {
	return s.takeFeed(ctx, who, in, stock.Full)
}

func (s *Server) patchLocationStock(ctx context.Context, who caller.Caller, in locationFeedIn) (feedOut, error) {
	return s.takeFeed(ctx, who, in, stock.Delta)
}

// takeFeed answers with the finished feed and not with a 202: whoever sends nightly wants one
// request whose status says whether it worked, the time goes into sending anyway, and a
// connection lost before the answer costs nothing, because the same feed again is a no-op.
func (s *Server) takeFeed(ctx context.Context, who caller.Caller, in locationFeedIn, kind stock.Kind) (feedOut, error) {
	if _, err := s.ownLocation(ctx, who, in.Location); err != nil {
		return feedOut{}, err
	}
	parts, rules, err := s.feedParts()
	if err != nil {
		return feedOut{}, err
	}
	f, err := s.Feeds.TakeFeed(ctx, who, in.Location, in.upload(kind, rules), parts, in.Rows)
	if err != nil {
		return feedOut{}, err
	}
	out := feedWire(f)
	out.Reply.Location = "/v1/feeds/" + f.ID
	return out, nil
}

// feedParts are the parts of the revision that answers now; a feed read by another revision
// may mean something else.
func (s *Server) feedParts() (stock.Parts, string, error) {
	live, err := s.Catalogs.Current()
	if err != nil {
		return nil, "", err
	}
	return stock.PartsOf(live.Revision), strconv.FormatInt(live.Number(), 10), nil
}

type feedsOut struct {
	Feeds      []feedOut `json:"feeds"`
	NextCursor string    `json:"next_cursor,omitempty"`
}

// putStock takes a feed for several locations. What is wrong at one of them is that one's
// result, and no refusal of the others.
func (s *Server) putStock(ctx context.Context, who caller.Caller, in struct{ feedParams }) (feedsOut, error) {
	parts, rules, err := s.feedParts()
	if err != nil {
		return feedsOut{}, err
	}
	feeds, err := s.Feeds.TakeSharedFeed(ctx, who, in.upload(stock.Full, rules), parts, in.Rows)
	out := feedsOut{Feeds: make([]feedOut, 0, len(feeds))}
	for _, f := range feeds {
		out.Feeds = append(out.Feeds, feedWire(f))
	}
	return out, err
}

type listFeedsIn struct {
	Location string `path:"location" maxlen:"40"`
	State    string `query:"state" enum:"running,applied,unchanged,refused,failed"`
	page
}

func (s *Server) listFeeds(ctx context.Context, who caller.Caller, in listFeedsIn) (feedsOut, error) {
	if _, err := s.ownLocation(ctx, who, in.Location); err != nil {
		return feedsOut{}, err
	}
	before, err := in.after()
	if err != nil {
		return feedsOut{}, err
	}
	rows, err := s.Feeds.Feeds(ctx, in.Location, in.State, before, in.Limit+1)
	out := feedsOut{Feeds: []feedOut{}}
	rows, out.NextCursor = cut(rows, in.Limit, func(f stock.Feed) string { return f.ID })
	for _, f := range rows {
		out.Feeds = append(out.Feeds, feedWire(f))
	}
	return out, err
}

type feedIn struct {
	FeedID string `path:"feed_id" maxlen:"36"`
}

func (s *Server) getFeed(ctx context.Context, who caller.Caller, in feedIn) (feedOut, error) {
	f, err := s.Feeds.Feed(ctx, reach(who), in.FeedID)
	return feedWire(f), err
}

// getFeedRejects lists bad rows as a file that a spreadsheet may open.
func (s *Server) getFeedRejects(ctx context.Context, who caller.Caller, in feedIn) (Raw, error) {
	f, err := s.Feeds.Feed(ctx, reach(who), in.FeedID)
	if err != nil {
		return Raw{}, err
	}
	rejects, err := s.Feeds.Rejects(ctx, f.ID)
	if err != nil {
		return Raw{}, err
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	rows := [][]string{{"line", "code", "reason", "value"}}
	for _, r := range rejects {
		rows = append(rows, []string{strconv.FormatInt(r.Line, 10), r.Code, stock.Reason(r.Code), inert(r.Value)})
	}
	if err := w.WriteAll(rows); err != nil {
		return Raw{}, err
	}
	return Raw{ContentType: "text/csv; charset=utf-8", Disposition: fmt.Sprintf(`attachment; filename="rejects-%s.csv"`, f.ID), Body: b.Bytes()}, nil
}

// inert keeps a spreadsheet from taking a stranger's text for a formula, wherever the text
// would begin a cell: half the world's spreadsheets split our lines at a semicolon.
func inert(s string) string {
	var b strings.Builder
	begins := true
	for _, c := range s {
		if begins && strings.ContainsRune("=+-@|%\uff1d\uff0b\uff0d\uff20", c) {
			b.WriteByte('\'')
		}
		b.WriteRune(c)
		begins = strings.ContainsRune(" ,;\"\t\r\n", c)
	}
	return b.String()
}

func (s *Server) resetFeeds(ctx context.Context, who caller.Caller, in struct {
	once
	Location string `path:"location" maxlen:"40"`
}) (locationOut, error) {
	if _, err := s.ownLocation(ctx, who, in.Location); err != nil {
		return locationOut{}, err
	}
	by, err := in.by(who, "resetFeeds", http.StatusOK, in.Location)
	if err != nil {
		return locationOut{}, err
	}
	l, err := s.Feeds.ResetFeeds(ctx, by, in.Location)
	return locationWire(l), err
}

type stockLevelOut struct {
	SKU        string `json:"sku"`
	OnHand     string `json:"on_hand"`
	Promised   string `json:"promised"`
	Available  string `json:"available"`
	AtLeast    bool   `json:"at_least"`
	Incoming   string `json:"incoming,omitempty"`
	IncomingOn string `json:"incoming_on,omitempty"`
	Bin        string `json:"bin,omitempty"`
}

type stockListOut struct {
	Location     string          `json:"location"`
	AsOf         *time.Time      `json:"as_of,omitempty"`
	Stale        bool            `json:"stale"`
	OverdueSince *time.Time      `json:"overdue_since,omitempty"`
	Stock        []stockLevelOut `json:"stock"`
	NextCursor   string          `json:"next_cursor,omitempty"`
}

func (s *Server) listLocationStock(ctx context.Context, who caller.Caller, in struct {
	Location string `path:"location" maxlen:"40"`
	page
}) (stockListOut, error) {
	l, err := s.ownLocation(ctx, who, in.Location)
	if err != nil {
		return stockListOut{}, err
	}
	rows, err := s.Feeds.StockAt(ctx, in.Location, in.Cursor, in.Limit+1)
	out := stockListOut{Location: l.ID, AsOf: utc(l.LastAsOf), Stock: []stockLevelOut{}}
	if since, overdue := scheduleOf(l).Overdue(l.LastAsOf, s.Now()); overdue {
		since = since.UTC()
		out.Stale, out.OverdueSince = true, &since
	}
	rows, out.NextCursor = cut(rows, in.Limit, func(l stock.Level) string { return l.SKU })
	for _, r := range rows {
		out.Stock = append(out.Stock, stockLevelWire(r))
	}
	return out, err
}

func scheduleOf(l account.Location) stock.Schedule {
	return stock.Schedule{DueBy: l.DueBy, Zone: zone.OrUTC(l.TimeZone), ClosedUntil: l.ClosedUntil}
}

func stockLevelWire(l stock.Level) stockLevelOut {
	out := stockLevelOut{
		SKU: l.SKU, OnHand: l.OnHand.String(), Promised: l.Promised.String(), Available: l.Available().String(), AtLeast: l.AtLeast, Bin: l.Bin,
	}
	if l.Incoming.IsPos() {
		out.Incoming = l.Incoming.String()
	}
	if l.IncomingOn != nil {
		out.IncomingOn = l.IncomingOn.Format(time.DateOnly)
	}
	return out
}

type reservationOut struct {
	ID        string     `json:"reservation_id"`
	SKU       string     `json:"sku"`
	Quantity  string     `json:"quantity"`
	Fulfilled string     `json:"fulfilled"`
	State     string     `json:"state"`
	HeldUntil time.Time  `json:"held_until"`
	CreatedAt time.Time  `json:"created_at"`
	EndedAt   *time.Time `json:"ended_at,omitempty"`
}

type reservationsOut struct {
	Reservations []reservationOut `json:"reservations"`
	Since        string           `json:"since"` // what to ask with next; nothing that changes is missed
	More         bool             `json:"more"`
}

// listReservations tells the owner of a location what is promised there, and not to whom.
func (s *Server) listReservations(ctx context.Context, who caller.Caller, in struct {
	Location string `path:"location" maxlen:"40"`
	Since    string `query:"since" maxlen:"60"`
	Limit    int    `query:"limit" min:"1" max:"200" default:"50"`
}) (reservationsOut, error) {
	l, err := s.ownLocation(ctx, who, in.Location)
	if err != nil {
		return reservationsOut{}, err
	}
	change, id, err := sinceCursor(in.Since)
	if err != nil {
		return reservationsOut{}, err
	}
	rows, err := s.Feeds.ReservationsAt(ctx, l.AccountID, l.ID, change, id, in.Limit+1)
	out := reservationsOut{Reservations: []reservationOut{}, Since: in.Since, More: len(rows) > in.Limit}
	for _, r := range rows[:min(len(rows), in.Limit)] {
		out.Reservations = append(out.Reservations, reservationOut{
			ID: r.ID, SKU: r.SKU, Quantity: r.Quantity.String(), Fulfilled: r.Fulfilled.String(), State: r.State,
			HeldUntil: r.HeldUntil.UTC(), CreatedAt: r.CreatedAt.UTC(), EndedAt: utc(r.EndedAt),
		})
		out.Since = fmt.Sprintf("%d.%s", r.Change, r.ID)
	}
	if out.Since == "" {
		out.Since = "0." + noID
	}
	return out, err
}

const noID = "00000000-0000-0000-0000-000000000000"

func sinceCursor(text string) (change int64, id string, err error) {
	if text == "" {
		return 0, noID, nil
	}
	number, id, ok := strings.Cut(text, ".")
	change, err = strconv.ParseInt(number, 10, 64)
	if !ok || err != nil || change < 0 || !idForm.MatchString(id) {
		return 0, "", wrongField("query:since", "invalid_value", "since must be what an earlier answer gave as since.")
	}
	return change, id, nil
}

type codeLine struct {
	Code   string `json:"code"`
	SKU    string `json:"sku"`
	Factor string `json:"factor,omitempty"`
	Unit   string `json:"unit,omitempty"`
}

type codesOut struct {
	Codes      []codeLine `json:"codes"`
	NextCursor string     `json:"next_cursor,omitempty"`
}

// putCodes replaces the map of a location's own codes.
func (s *Server) putCodes(ctx context.Context, who caller.Caller, in struct {
	Location string `path:"location" maxlen:"40"`
	Body     struct {
		Codes []codeLine `json:"codes"`
	} `body:""`
}) (codesOut, error) {
	l, err := s.ownLocation(ctx, who, in.Location)
	if err != nil {
		return codesOut{}, err
	}
	if in.Body.Codes == nil {
		return codesOut{}, wrongField("/codes", "required", "Give the codes; an empty list takes all of them away.")
	}
	parts, _, err := s.feedParts()
	if err != nil {
		return codesOut{}, err
	}
	var codes []stock.Code
	for i, c := range in.Body.Codes {
		factor, err := udecimal.Parse(orString(c.Factor, "1"))
		if err != nil {
			return codesOut{}, wrongField(fmt.Sprintf("/codes/%d/factor", i), "invalid_value", "A factor is a decimal number as text, such as \"0.25\".")
		}
		codes = append(codes, stock.Code{Code: c.Code, SKU: c.SKU, Factor: factor, Unit: c.Unit})
	}
	if err := stock.CheckCodes(codes, parts); err != nil {
		return codesOut{}, err
	}
	slices.SortFunc(codes, func(a, b stock.Code) int { return strings.Compare(a.Code, b.Code) }) // or two writers deadlock
	if err := s.Feeds.PutCodes(ctx, who, l.AccountID, l.ID, codes); err != nil {
		return codesOut{}, err
	}
	return s.codesPage(ctx, l, "", defaultPage)
}

func (s *Server) listCodes(ctx context.Context, who caller.Caller, in struct {
	Location string `path:"location" maxlen:"40"`
	page
}) (codesOut, error) {
	l, err := s.ownLocation(ctx, who, in.Location)
	if err != nil {
		return codesOut{}, err
	}
	return s.codesPage(ctx, l, in.Cursor, in.Limit)
}

func (s *Server) codesPage(ctx context.Context, l account.Location, after string, limit int) (codesOut, error) {
	rows, err := s.Feeds.Codes(ctx, l.AccountID, l.ID, after, limit+1)
	out := codesOut{Codes: []codeLine{}}
	rows, out.NextCursor = cut(rows, limit, func(c stock.Code) string { return c.Code })
	for _, c := range rows {
		out.Codes = append(out.Codes, codeLine{c.Code, c.SKU, c.Factor.String(), c.Unit})
	}
	return out, err
}
