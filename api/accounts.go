package api

import (
	"context"
	"encoding/base64"
	"net/http"
	"slices"
	"strconv"
	"time"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

// AccountStore keeps accounts and their profiles.
type AccountStore interface {
	CreateAccount(ctx context.Context, by caller.Caller, a account.Account) (account.Account, error)
	UpdateAccount(ctx context.Context, by caller.Caller, a account.Account) error
	Account(ctx context.Context, id string) (account.Account, error)
	Accounts(ctx context.Context, after string, limit int) ([]account.Account, error)
	Seller(ctx context.Context, accountID string) (account.Seller, error)
	PutSeller(ctx context.Context, by caller.Caller, s account.Seller) (account.Seller, error)
}

type accountOut struct {
	Reply     `json:"-"`
	AccountID string        `json:"account_id"`
	Name      string        `json:"name"`
	Roles     []caller.Role `json:"roles"`
	CreatedAt time.Time     `json:"created_at"`
	ClosedAt  *time.Time    `json:"closed_at,omitempty"`
}

func accountWire(a account.Account) accountOut {
	return accountOut{AccountID: a.ID, Name: a.Name, Roles: a.Roles, CreatedAt: a.CreatedAt.UTC(), ClosedAt: utc(a.ClosedAt)}
}

func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	u := t.UTC()
	return &u
}

type accountBody struct {
	Name     string        `json:"name"`
	Roles    []caller.Role `json:"roles"`
	ClosedAt *instant      `json:"closed_at,omitempty"`
}

type newAccountIn struct {
	once
	Body struct {
		Name  string        `json:"name"`
		Roles []caller.Role `json:"roles"`
	} `body:""`
}

func (s *Server) createAccount(ctx context.Context, who caller.Caller, in newAccountIn) (accountOut, error) {
	a := account.Account{Name: in.Body.Name, Roles: in.Body.Roles}
	if err := a.Check(); err != nil {
		return accountOut{}, err
	}
	by, err := in.by(who, "createAccount", http.StatusCreated, in.Body)
	if err != nil {
		return accountOut{}, err
	}
	if a, err = s.Accounts.CreateAccount(ctx, by, a); err != nil {
		return accountOut{}, err
	}
	out := accountWire(a)
	out.Status, out.Location = http.StatusCreated, "/v1/accounts/"+a.ID
	return out, nil
}

type accountsOut struct {
	Accounts   []accountOut `json:"accounts"`
	NextCursor string       `json:"next_cursor,omitempty"`
}

func (s *Server) listAccounts(ctx context.Context, _ caller.Caller, in struct{ page }) (accountsOut, error) {
	after, err := in.after()
	if err != nil {
		return accountsOut{}, err
	}
	rows, err := s.Accounts.Accounts(ctx, after, in.Limit+1)
	if err != nil {
		return accountsOut{}, err
	}
	rows, next := cut(rows, in.Limit, func(a account.Account) string { return a.ID })
	out := accountsOut{Accounts: make([]accountOut, 0, len(rows)), NextCursor: next}
	for _, a := range rows {
		out.Accounts = append(out.Accounts, accountWire(a))
	}
	return out, nil
}

func (s *Server) getAccount(ctx context.Context, _ caller.Caller, in struct {
	AccountID string `path:"account_id"`
}) (accountOut, error) {
	a, err := s.Accounts.Account(ctx, in.AccountID)
	if err != nil {
		return accountOut{}, accountNotFound(err)
	}
	return accountWire(a), nil
}

func accountNotFound(err error) error {
	if f := fault.As(err); f != nil && f.Kind == fault.NotFound {
		return fault.Wrap(err, fault.NotFound, "account_not_found", "There is no such account.")
	}
	return err
}

type putAccountIn struct {
	AccountID string      `path:"account_id"`
	Body      accountBody `body:""`
}

// putAccount changes name, roles and closing. Nobody takes from itself the role that this
// needs: an installation without an administrator could only be repaired by hand.
func (s *Server) putAccount(ctx context.Context, who caller.Caller, in putAccountIn) (accountOut, error) {
	a := account.Account{ID: in.AccountID, Name: in.Body.Name, Roles: in.Body.Roles, ClosedAt: in.Body.ClosedAt.time()}
	if err := a.Check(); err != nil {
		return accountOut{}, err
	}
	if a.ID == who.AccountID && (a.ClosedAt != nil || !slices.Contains(a.Roles, caller.Administrator)) {
		return accountOut{}, fault.New(fault.Conflict, "own_account", "An administrator cannot close its own account or give up the role; let another administrator do it.")
	}
	if err := s.Accounts.UpdateAccount(ctx, who, a); err != nil {
		return accountOut{}, accountNotFound(err)
	}
	a, err := s.Accounts.Account(ctx, a.ID)
	return accountWire(a), err
}

// sellerWire is the profile as it is read and written.
type sellerWire struct {
	LegalName       string                       `json:"legal_name"`
	TradingName     string                       `json:"trading_name,omitempty"`
	Street          string                       `json:"street,omitempty"`
	StreetMore      string                       `json:"street_more,omitempty"`
	Postcode        string                       `json:"postcode,omitempty"`
	City            string                       `json:"city,omitempty"`
	Region          string                       `json:"region,omitempty"`
	Country         string                       `json:"country"`
	Registration    string                       `json:"registration,omitempty"`
	Contact         account.Contact              `json:"contact,omitzero"`
	TaxIDs          []account.TaxID              `json:"tax_ids,omitempty"`
	TaxCountry      string                       `json:"tax_country"`
	TaxRegion       string                       `json:"tax_region,omitempty"`
	DefaultCurrency string                       `json:"default_currency"`
	PriceBasis      string                       `json:"price_basis,omitempty"`
	Languages       []string                     `json:"languages"`
	BenchLanguage   string                       `json:"bench_language,omitempty"`
	Units           string                       `json:"units,omitempty"`
	Paper           string                       `json:"paper,omitempty"`
	Terms           map[string]string            `json:"terms,omitempty"`
	Texts           map[string]map[string]string `json:"texts,omitempty"`
	Logo            string                       `json:"logo,omitempty"` // base64
	LogoType        string                       `json:"logo_type,omitempty"`
	Series          string                       `json:"series,omitempty"`
	NumberForm      string                       `json:"number_form,omitempty"`
	TimeZone        string                       `json:"time_zone"`
	ValidityDays    *int                         `json:"validity_days,omitempty"`
	HoldDays        *int                         `json:"hold_days,omitempty"`
	Labor           account.Labor                `json:"labor,omitzero"`
	SagTargets      map[string]float64           `json:"sag_targets,omitempty"`
}

func sellerOf(s account.Seller) sellerWire {
	return sellerWire{
		LegalName: s.LegalName, TradingName: s.TradingName, Street: s.Street, StreetMore: s.StreetMore, Postcode: s.Postcode, City: s.City,
		Region: s.Region, Country: s.Country, Registration: s.Registration, Contact: s.Contact, TaxIDs: s.TaxIDs, TaxCountry: s.TaxCountry,
		TaxRegion: s.TaxRegion, DefaultCurrency: s.DefaultCurrency, PriceBasis: s.PriceBasis, Languages: s.Languages, BenchLanguage: s.BenchLanguage,
		Units: s.Units, Paper: s.Paper, Terms: s.Terms, Texts: s.Texts, Logo: base64.StdEncoding.EncodeToString(s.Logo), LogoType: s.LogoType,
		Series: s.Series, NumberForm: s.NumberForm, TimeZone: s.TimeZone, ValidityDays: &s.ValidityDays, HoldDays: &s.HoldDays,
		Labor: s.Labor, SagTargets: s.SagTargets,
	}
}

// domain fills in what a profile may leave out.
func (w sellerWire) domain(accountID string, version int64) (account.Seller, error) {
	logo, err := base64.StdEncoding.DecodeString(w.Logo)
	if err != nil {
		return account.Seller{}, wrongField("/logo", "invalid_value", "logo must be base64.")
	}
	s := account.Seller{
		AccountID: accountID, Version: version,
		LegalName: w.LegalName, TradingName: w.TradingName, Street: w.Street, StreetMore: w.StreetMore, Postcode: w.Postcode, City: w.City,
		Region: w.Region, Country: w.Country, Registration: w.Registration, Contact: w.Contact, TaxIDs: w.TaxIDs, TaxCountry: w.TaxCountry,
		TaxRegion: w.TaxRegion, DefaultCurrency: w.DefaultCurrency, PriceBasis: orString(w.PriceBasis, "net"), Languages: w.Languages,
		BenchLanguage: w.BenchLanguage, Units: orString(w.Units, "metric"), Paper: orString(w.Paper, "A4"), Terms: w.Terms, Texts: w.Texts,
		Logo: logo, LogoType: w.LogoType, Series: orString(w.Series, "Q"), NumberForm: orString(w.NumberForm, "{series}-{year}-{number:5}"),
		TimeZone: w.TimeZone, ValidityDays: 30, HoldDays: 14, Labor: w.Labor, SagTargets: w.SagTargets,
	}
	if w.ValidityDays != nil {
		s.ValidityDays = *w.ValidityDays
	}
	if w.HoldDays != nil {
		s.HoldDays = *w.HoldDays
	}
	return s, s.Check()
}

type ownAccountOut struct {
	Reply     `json:"-"`
	AccountID string        `json:"account_id"`
	Name      string        `json:"name"`
	Roles     []caller.Role `json:"roles"`
	Seller    *sellerWire   `json:"seller,omitempty"`
	UpdatedAt *time.Time    `json:"updated_at,omitempty"`
}

func (s *Server) ownAccount(ctx context.Context, who caller.Caller, seller account.Seller) (ownAccountOut, error) {
	a, err := s.Accounts.Account(ctx, who.AccountID)
	if err != nil {
		return ownAccountOut{}, err
	}
	out := ownAccountOut{AccountID: a.ID, Name: a.Name, Roles: a.Roles}
	out.ETag, out.CacheControl = strconv.FormatInt(seller.Version, 10), "private, no-cache"
	if seller.Version > 0 {
		wire := sellerOf(seller)
		out.Seller, out.UpdatedAt = &wire, utc(&seller.UpdatedAt)
	}
	return out, nil
}

// getOwnAccount answers an account without a profile too: its ETag "0" is what the first
// profile is put with.
func (s *Server) getOwnAccount(ctx context.Context, who caller.Caller, _ struct {
	IfNoneMatch string `header:"If-None-Match"`
}) (ownAccountOut, error) {
	seller, err := s.Accounts.Seller(ctx, who.AccountID)
	if err != nil && fault.CodeOf(err) != "seller_profile_missing" {
		return ownAccountOut{}, err
	}
	return s.ownAccount(ctx, who, seller)
}

func (s *Server) putOwnAccount(ctx context.Context, who caller.Caller, in struct {
	IfMatch string     `header:"If-Match" maxlen:"100"`
	Body    sellerWire `body:""`
}) (ownAccountOut, error) {
	tag, err := IfMatch(in.IfMatch)
	if err != nil {
		return ownAccountOut{}, err
	}
	version, err := strconv.ParseInt(tag, 10, 64)
	if err != nil {
		version = -1 // never given by us: as stale as any other
	}
	seller, err := in.Body.domain(who.AccountID, version)
	if err != nil {
		return ownAccountOut{}, err
	}
	if seller, err = s.Accounts.PutSeller(ctx, who, seller); err != nil {
		return ownAccountOut{}, err
	}
	return s.ownAccount(ctx, who, seller)
}
