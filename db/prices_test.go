package db_test

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"forkwright/db/dbtest"
	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// Whoever replaces a list at the same time as others leaves one whole list, not a mixture.
func TestListsThatAreReplacedAtOnceDoNotMix(t *testing.T) {
	d := dbtest.Clone(t).DB
	a, err := d.CreateAccount(t.Context(), caller.Caller{}, account.Account{Name: "shop", Roles: []caller.Role{caller.Shop}})
	if err != nil {
		t.Fatal(err)
	}
	by := caller.Caller{AccountID: a.ID}
	const writers, each = 8, 30
	var all sync.WaitGroup
	for w := range writers {
		all.Go(func() {
			var prices []service.KeptPrice
			var rules []quote.TaxRule
			for i := range each {
				prices = append(prices, service.KeptPrice{Use: "buying", OwnPrice: service.OwnPrice{
					SKU: fmt.Sprintf("P-%d", (i*7+w)%(each+w)), Currency: "EUR", Basis: "net", MinQuantity: money.FromInt(int64(i + 1)), Amount: money.FromInt(int64(w)), From: "2025-01-01"}})
				rules = append(rules, quote.TaxRule{Class: "standard", Destination: fmt.Sprintf("US-R%d", i+w), From: "2025-01-01", Tax: quote.Tax{Category: quote.Standard, Rate: money.FromInt(int64(w + 1))}})
			}
			if err := d.ReplaceKeptPrices(t.Context(), by, prices); err != nil {
				t.Error(err)
			}
			if err := d.ReplaceTaxRules(t.Context(), by, "US", rules); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	prices, err := d.KeptPrices(t.Context(), a.ID, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	rules, err := d.TaxRules(t.Context(), "US")
	if err != nil {
		t.Fatal(err)
	}
	var amounts, rates []string
	for _, p := range prices {
		amounts = append(amounts, p.Amount.String())
	}
	for _, r := range rules {
		rates = append(rates, r.Tax.Rate.String())
	}
	for name, got := range map[string][]string{"prices": amounts, "rates": rates} {
		if len(got) != each || len(slices.Compact(slices.Clone(got))) != 1 {
			t.Errorf("%s: %d of a mixture: %s", name, len(got), strings.Join(got, " "))
		}
	}
	terms, err := d.Terms(t.Context(), a.ID, []string{"P-1", "P-2", "P-3", "P-4"}, "US")
	if err != nil || len(terms.Own) > 0 || !slices.EqualFunc(terms.Taxes, rules, func(a, b quote.TaxRule) bool {
		return a.Tax.Rate.Cmp(b.Tax.Rate) == 0 && a.Destination == b.Destination
	}) {
		t.Errorf("buying prices are read for quotes, or other rates: %+v %v", terms, err)
	}
}
