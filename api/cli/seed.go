package cli

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"time"

	"github.com/quagmt/udecimal"

	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/money"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

// SeedStore is what the demo's shop is put into.
type SeedStore interface {
	Store
	PutSeller(ctx context.Context, by caller.Caller, s account.Seller) (account.Seller, error)
	PutCodes(ctx context.Context, by caller.Caller, accountID, location string, codes []stock.Code) error
	TakeSharedFeed(ctx context.Context, by caller.Caller, u stock.Upload, parts stock.Parts, body io.Reader) ([]stock.Feed, error)
	Accounts(ctx context.Context, after string, limit int) ([]account.Account, error)
	PutTaxRules(ctx context.Context, by caller.Caller, rules []quote.TaxRule) error
}

// Seed makes the demo's shop from its folder: an account that is shop, distributor and
// administrator, its profile, three locations, tax rates, and a key.
func Seed(ctx context.Context, s SeedStore, demo fs.FS, key string) (keyText string, err error) {
	shop, err := s.CreateAccount(ctx, Operator, account.Account{
		Name:  "Demo shop",
		Roles: []caller.Role{caller.Shop, caller.Distributor, caller.Administrator},
	})
	if err != nil {
		return "", fmt.Errorf("making the demo's account: %w", err)
	}
	by := Operator
	by.AccountID = shop.ID
	for _, step := range []func() error{
		func() error { return seedSeller(ctx, s, demo, by) },
		func() error { return seedLocations(ctx, s, demo, by) },
		func() error { return seedTaxes(ctx, s, demo, by) },
	} {
		if err := step(); err != nil {
			return "", fmt.Errorf("filling the demo's shop: %w", err)
		}
	}
	_, keyText, err = s.CreateKey(ctx, by, account.NewKey{AccountID: shop.ID, Label: "demo", Text: key})
	return keyText, err
}

// sellerFile is seller.json; its members are those of the account's own profile in the API.
type sellerFile struct {
	LegalName       string                       `json:"legal_name"`
	TradingName     string                       `json:"trading_name"`
	Street          string                       `json:"street"`
	StreetMore      string                       `json:"street_more"`
	Postcode        string                       `json:"postcode"`
	City            string                       `json:"city"`
	Region          string                       `json:"region"`
	Country         string                       `json:"country"`
	Registration    string                       `json:"registration"`
	Contact         account.Contact              `json:"contact"`
	TaxIDs          []account.TaxID              `json:"tax_ids"`
	TaxCountry      string                       `json:"tax_country"`
	TaxRegion       string                       `json:"tax_region"`
	DefaultCurrency string                       `json:"default_currency"`
	PriceBasis      string                       `json:"price_basis"`
	Languages       []string                     `json:"languages"`
	BenchLanguage   string                       `json:"bench_language"`
	Units           string                       `json:"units"`
	Paper           string                       `json:"paper"`
	Terms           map[string]string            `json:"terms"`
	Texts           map[string]map[string]string `json:"texts"`
	Series          string                       `json:"series"`
	NumberForm      string                       `json:"number_form"`
	TimeZone        string                       `json:"time_zone"`
	ValidityDays    int                          `json:"validity_days"`
	HoldDays        int                          `json:"hold_days"`
	Labor           account.Labor                `json:"labor"`
	SagTargets      map[string]float64           `json:"sag_targets"`
}

func seedSeller(ctx context.Context, s SeedStore, demo fs.FS, by caller.Caller) error {
	var f sellerFile
	if err := readJSON(demo, "seller.json", &f); err != nil {
		return err
	}
	logo, err := fs.ReadFile(demo, "logo.png")
	if err != nil {
		return err
	}
	_, err = s.PutSeller(ctx, by, account.Seller{
		AccountID: by.AccountID, LegalName: f.LegalName, TradingName: f.TradingName, Street: f.Street, StreetMore: f.StreetMore,
		Postcode: f.Postcode, City: f.City, Region: f.Region, Country: f.Country, Registration: f.Registration, Contact: f.Contact,
		TaxIDs: f.TaxIDs, TaxCountry: f.TaxCountry, TaxRegion: f.TaxRegion, DefaultCurrency: f.DefaultCurrency, PriceBasis: f.PriceBasis,
		Languages: f.Languages, BenchLanguage: f.BenchLanguage, Units: f.Units, Paper: f.Paper, Terms: f.Terms, Texts: f.Texts,
		Series: f.Series, NumberForm: f.NumberForm, TimeZone: f.TimeZone, ValidityDays: f.ValidityDays, HoldDays: f.HoldDays,
		Labor: f.Labor, SagTargets: f.SagTargets, Logo: logo, LogoType: "image/png",
	})
	return err
}

func seedLocations(ctx context.Context, s SeedStore, demo fs.FS, by caller.Caller) error {
	var list []struct {
		ID                    string          `json:"id"`
		Name                  string          `json:"name"`
		TimeZone              string          `json:"time_zone"`
		DueBy                 string          `json:"due_by"`
		CountsExcludePromised bool            `json:"counts_exclude_promised"`
		DaysAway              int             `json:"days_away"`
		Policy                json.RawMessage `json:"policy"`
	}
	if err := readJSON(demo, "locations.json", &list); err != nil {
		return err
	}
	for _, l := range list {
		_, err := s.CreateLocation(ctx, by, account.Location{
			ID: l.ID, AccountID: by.AccountID, Name: l.Name, TimeZone: l.TimeZone, DueBy: l.DueBy,
			CountsExcludePromised: l.CountsExcludePromised, DaysAway: l.DaysAway, Policy: l.Policy,
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// codeFile is a line of codes.json, as PUT /v1/locations/{location}/codes takes it.
type codeFile struct {
	Code, SKU, Factor, Unit string
}

// fillShelves gives the demo's locations what its folder says, as feeds of the catalog's parts.
func fillShelves(ctx context.Context, s SeedStore, catalogs service.CatalogStore, demo fs.FS) error {
	live := service.NewCatalogs(catalogs, 0)
	if _, err := live.Follow(ctx); err != nil {
		return err
	}
	now, err := live.Current()
	if err != nil {
		return err
	}
	accounts, err := s.Accounts(ctx, "", 1)
	if err != nil {
		return err
	}
	by, parts := Operator, stock.PartsOf(now.Revision)
	by.AccountID = accounts[0].ID
	if err := seedCodes(ctx, s, demo, by, parts); err != nil {
		return err
	}
	return seedStock(ctx, s, demo, by, parts, strconv.FormatInt(now.Number(), 10))
}

func seedCodes(ctx context.Context, s SeedStore, demo fs.FS, by caller.Caller, parts stock.Parts) error {
	var maps map[string][]codeFile
	if err := readJSON(demo, "codes.json", &maps); err != nil {
		return err
	}
	for location, lines := range maps {
		var codes []stock.Code
		for _, l := range lines {
			factor, err := udecimal.Parse(l.Factor)
			if err != nil {
				return fmt.Errorf("codes.json: %s: %w", l.Code, err)
			}
			codes = append(codes, stock.Code{Code: l.Code, SKU: l.SKU, Factor: factor, Unit: l.Unit})
		}
		if err := stock.CheckCodes(codes, parts); err != nil {
			return fmt.Errorf("codes.json: %s: %w", location, err)
		}
		if err := s.PutCodes(ctx, by, by.AccountID, location, codes); err != nil {
			return err
		}
	}
	return nil
}

// seedStock takes stock.csv as the feed for several locations that it is, of last evening:
// whoever tries a feed of today sends a newer one.
func seedStock(ctx context.Context, s SeedStore, demo fs.FS, by caller.Caller, parts stock.Parts, rules string) error {
	f, err := demo.Open("stock.csv")
	if err != nil {
		return err
	}
	defer f.Close()
	u := stock.Upload{Stamp: stock.Stamp{Kind: stock.Full, AsOf: time.Now().Add(-12 * time.Hour)}, Format: stock.CSV, Rules: rules}
	feeds, err := s.TakeSharedFeed(ctx, by, u, parts, f)
	for _, f := range feeds {
		if f.State != stock.Applied || f.Counts.Rejected > 0 || f.Counts.Unknown > 0 {
			err = errors.Join(err, fmt.Errorf("stock.csv: %s: %s %s %+v", f.Location, f.State, f.Problem, f.Counts))
		}
	}
	return err
}

func seedTaxes(ctx context.Context, s SeedStore, demo fs.FS, by caller.Caller) error {
	var rules []quote.TaxRule
	err := eachRow(demo, "tax_rates.csv", func(row map[string]string) error {
		rate, err := money.Parse(row["rate"])
		rules = append(rules, quote.TaxRule{
			Class: row["class"], Destination: row["country"], From: row["valid_from"],
			Tax: quote.Tax{Category: quote.Category(row["category"]), Rate: rate, Reason: row["reason"]},
		})
		return err
	})
	if err != nil {
		return err
	}
	return s.PutTaxRules(ctx, by, rules)
}

// FillDemo loads the demo catalog and makes the demo's shop, unless the database has them
// from an earlier run; it gives the key.
func FillDemo(ctx context.Context, s SeedStore, catalogs service.CatalogStore, read service.ReadCatalog, catalogFiles, demo fs.FS, key string) (string, error) {
	if _, err := service.LoadCatalog(ctx, catalogs, read, catalogFiles, service.LoadOptions{By: Operator, LoadedBy: "demo"}); err != nil {
		return "", fmt.Errorf("loading the demo catalog: %w", err)
	}
	accounts, err := s.Accounts(ctx, "", 1)
	if err != nil {
		return "", err
	}
	if len(accounts) > 0 { // kept from an earlier run
		_, text, err := s.CreateKey(ctx, Operator, account.NewKey{AccountID: accounts[0].ID, Label: "demo", Text: key})
		return text, err
	}
	text, err := Seed(ctx, s, demo, key)
	if err != nil {
		return "", err
	}
	return text, fillShelves(ctx, s, catalogs, demo)
}

func readJSON(fsys fs.FS, name string, into any) error {
	content, err := fs.ReadFile(fsys, name)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(content, into); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// eachRow reads a small CSV file with a header row.
func eachRow(fsys fs.FS, name string, fn func(row map[string]string) error) error {
	f, err := fsys.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	for i, cells := range rows[1:] {
		row := map[string]string{}
		for j, column := range rows[0] {
			row[column] = cells[j]
		}
		if err := fn(row); err != nil {
			return fmt.Errorf("%s:%d: %w", name, i+2, err)
		}
	}
	return nil
}
