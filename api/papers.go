package api

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"strings"

	"forkwright/api/edge"
	paper "forkwright/api/page"
	"forkwright/api/page/bench"
	"forkwright/api/page/chart"
	"forkwright/api/page/pdf"
	"forkwright/api/ubl"
	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/quote"
	"forkwright/service/setup"
	"forkwright/service/unit"
)

const (
	mediaHTML = "text/html"
	mediaPDF  = "application/pdf"
	mediaXML  = "application/xml"
	mediaSVG  = "image/svg+xml"
)

// The representations of what can be printed, the preferred one first.
var (
	quoteTypes = []string{mediaJSON, mediaHTML, mediaPDF, mediaXML}
	paperTypes = []string{mediaHTML, mediaPDF}
	setupTypes = []string{mediaJSON, mediaSVG}
)

// quotePaper is a quote as something that leaves the house. Personal values are joined here and
// kept nowhere.
func (s *Server) quotePaper(p service.Paper, media string) (Raw, error) {
	q, customer := p.Quote, customerOf(p.Person)
	extras := paper.Extras{Customer: customer, PageURL: s.pageOf(q), Logo: p.Logo}
	switch media {
	case mediaPDF:
		body, err := pdf.Quote(q, extras)
		return printed(media, fileName(q, "", ".pdf"), body, err)
	case mediaXML:
		if len(q.Lines) == 0 {
			return Raw{}, fault.New(fault.Conflict, "quote_without_lines", "This quote has no line, and a UBL quotation needs one. Read it as JSON or on paper.")
		}
		body, err := ubl.Quotation(q, ubl.Customer(customer), extras.PageURL)
		return printed(media, fileName(q, "", ".xml"), body, err)
	}
	body, err := paper.Quote(q, extras)
	return printed(mediaHTML, "", body, err)
}

func customerOf(p account.Person) paper.Customer {
	return paper.Customer{Name: p.Name, Email: p.Email, Phone: p.Phone, Address: p.Address}
}

// pageOf is the address of the page of a quote: absolute where it is known from where customers
// reach the service, else a path.
func (s *Server) pageOf(q quote.Quote) string {
	return s.PublicURL + "/q/" + PageToken(s.LinkKey, q.ID)
}

// printed is an answer whose version is its own digest: what is printed changes with the state of
// the quote, and with the customer's values and their erasing.
func printed(media, file string, body []byte, err error) (Raw, error) {
	if err != nil {
		return Raw{}, err
	}
	sum := sha256.Sum256(body)
	out := Raw{Reply: Reply{ETag: hex.EncodeToString(sum[:12]), CacheControl: "private, no-cache"}, ContentType: media, Body: body}
	switch media {
	case mediaHTML:
		out.ContentType, out.CSP = "text/html; charset=utf-8", edge.PageCSP
	case mediaXML:
		out.ContentType = "application/xml; charset=utf-8"
	}
	if file != "" {
		out.Disposition = `inline; filename="` + file + `"`
	}
	return out, nil
}

// fileName is what a paper is saved as: the number of its quote, as far as any system takes it.
func fileName(q quote.Quote, before, after string) string {
	name := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return '-'
	}, cmp.Or(q.Number, q.ID))
	return before + name + after
}

// ---- GET /v1/quotes/{quote_id}/bench-sheet --------------------------------------------------

// getBenchSheet is made from the bill that the quote keeps and from its catalog revision, so it
// stays what was quoted. The quote does not know the rider: the setup's figures are those of what
// is put together, and the sag is left to be written.
func (s *Server) getBenchSheet(ctx context.Context, who caller.Caller, in getQuoteIn) (Raw, error) {
	p, seller, err := s.Quotes.BenchPaper(ctx, who.AccountID, in.QuoteID)
	if err != nil {
		return Raw{}, err
	}
	q := p.Quote
	bill, ok, err := bench.OfQuote(&q)
	if err != nil {
		return Raw{}, err
	}
	if !ok {
		return Raw{}, fault.New(fault.NotFound, "no_bench_work", "There is no work at the bench in this quote: it was asked for without a job, or over the counter.")
	}
	rev, err := s.quotedFrom(ctx, q)
	if err != nil {
		return Raw{}, err
	}
	sheet := bench.Input{Bill: bill, Quote: &q, Customer: p.Person.Name, Units: unit.System(seller.Units), PageURL: s.PublicURL + "/v1/quotes/" + q.ID + "/bench-sheet"}
	sheet.Language = cmp.Or(seller.BenchLanguage, q.Language)
	if rev != nil {
		sheet.Name = bench.Names(rev, sheet.Language, "en")
	}
	sheet.Assembled, sheet.WhyNot = bench.Assemble(rev, &bill, seller.SagTargets)
	return benchPaper(bench.New(sheet), q, in.Media)
}

func benchPaper(sheet bench.Sheet, q quote.Quote, media string) (Raw, error) {
	if media == mediaPDF {
		body, err := pdf.Bench(sheet, q.CreatedAt)
		return printed(media, fileName(q, "bench-", ".pdf"), body, err)
	}
	body, err := sheet.HTML()
	return printed(mediaHTML, "", body, err)
}

// quotedFrom is the catalog revision of a quote, nil where it is no longer kept: codes then stand
// for names, and nothing is worked out.
func (s *Server) quotedFrom(ctx context.Context, q quote.Quote) (*catalog.Revision, error) {
	live, err := s.Catalogs.At(ctx, q.CatalogRevision)
	if f := fault.As(err); f != nil && f.Kind == fault.Gone {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return live.Revision, nil
}

// ---- POST /v1/setups as a picture -----------------------------------------------------------

// setupChart draws a setup. The nearest of a refusal is drawn too, under a heading that keeps
// anybody from building it.
func (a *asking) setupChart(got *setup.Answer, decision fitment.Decision) (Raw, error) {
	f, ok := chart.OfSetup(got, a.units)
	if !ok {
		e := fault.New(fault.Conflict, "no_chart", "There is no force curve to draw: %s", cmp.Or(got.Text, "the answer as JSON says why."))
		e.Question = got.Question
		return Raw{}, e
	}
	switch {
	case got.Status != setup.OK:
		f.Heading = "Do not build this: only the nearest to what was asked"
	case decision == fitment.Block:
		f.Heading = "Do not sell this: a notice or a limit stops it"
	}
	return Raw{Reply: Reply{CacheControl: "private, no-store"}, ContentType: mediaSVG, Body: f.SVG()}, nil
}
