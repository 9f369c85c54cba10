package service

import (
	"fmt"
	"regexp"
	"time"

	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// KeptPrice is one of a shop's own prices as the shop keeps it. It may be a buying price, which
// is for the shop alone; what quotes are made from is OwnPrice.
type KeptPrice struct {
	OwnPrice
	Use string // selling or buying
}

// CheckPrices says what is wrong in a list of prices that was sent under /prices.
func CheckPrices(prices []KeptPrice) error {
	var wrong fault.Fields
	seen := map[string]int{}
	for i, p := range prices {
		at := fmt.Sprintf("/prices/%d", i)
		p.check(at, &wrong)
		key := fmt.Sprint(p.SKU, "\n", p.Use, "\n", p.Currency, "\n", p.MinQuantity.Plain(), "\n", p.From)
		if first, ok := seen[key]; ok {
			wrong.Add(at, "given_twice", "It has part, use, currency, min_quantity and valid_from of the price at %d.", first)
			continue
		}
		seen[key] = i
	}
	return wrong.Err()
}

func (p KeptPrice) check(at string, wrong *fault.Fields) {
	if n := len([]rune(p.SKU)); n < 1 || n > 60 {
		wrong.Add(at+"/sku", "invalid_value", "sku must have 1 to 60 characters.")
	}
	if p.Use != "selling" && p.Use != "buying" {
		wrong.Add(at+"/use", "invalid_value", "use must be selling or buying.")
	}
	if p.Basis != "net" && p.Basis != "gross" {
		wrong.Add(at+"/basis", "invalid_value", "basis must be net or gross.")
	}
	if _, err := money.ParseCurrency(p.Currency); err != nil {
		wrong.Add(at+"/currency", fault.CodeOf(err), "%s", fault.As(err).Text)
	}
	if p.Amount.Sign() < 0 {
		wrong.Add(at+"/amount", "out_of_range", "A price is not below zero; this one is %s.", p.Amount)
	}
	if p.MinQuantity.Sign() <= 0 {
		wrong.Add(at+"/min_quantity", "out_of_range", "min_quantity must be above zero; leave it out for any quantity.")
	}
	checkDays(at, p.From, p.Until, wrong)
}

// checkDays holds two days to what can be kept: written as days, of this age, and in order.
func checkDays(at, from, until string, wrong *fault.Fields) {
	for _, d := range []struct{ name, day string }{{"valid_from", from}, {"valid_until", until}} {
		t, err := time.Parse(time.DateOnly, d.day)
		switch {
		case d.day == "" && d.name == "valid_until":
		case err != nil:
			wrong.Add(at+"/"+d.name, "not_a_day", "%s must be a day like 2026-03-31.", d.name)
		case t.Year() < 1900:
			wrong.Add(at+"/"+d.name, "out_of_range", "%s must be a day from 1900 on.", d.name)
		}
	}
	if until != "" && until < from {
		wrong.Add(at+"/valid_until", "out_of_range", "valid_until may not be before valid_from.")
	}
}

var (
	countryForm = regexp.MustCompile(`^[A-Z]{2}$`)
	placeForm   = regexp.MustCompile(`^[A-Z]{2}(-[A-Za-z0-9]{1,10})?$`)
	classForm   = regexp.MustCompile(`^[a-z_]{1,40}$`)
)

// CheckCountry says whether a text is written as a country's code, at a place of a request.
func CheckCountry(at, country string) error {
	if countryForm.MatchString(country) {
		return nil
	}
	return askFault(at, "invalid_value", "country must be two capitals of ISO 3166-1, such as DE.")
}

// CheckTaxRules says what is wrong in the rates of a country that were sent under /rates.
func CheckTaxRules(rules []quote.TaxRule) error {
	var wrong fault.Fields
	seen := map[string]int{}
	for i, r := range rules {
		at := fmt.Sprintf("/rates/%d", i)
		r.Tax.Check(at, &wrong)
		if !placeForm.MatchString(r.Destination) {
			wrong.Add(at+"/region", "invalid_value", "region must be 1 to 10 letters and digits, as CO in US-CO; leave it out for the country.")
		}
		if !classForm.MatchString(r.Class) {
			wrong.Add(at+"/class", "invalid_value", "class must be a word of small letters and underscores, such as standard or reduced.")
		}
		checkDays(at, r.From, r.Until, &wrong)
		key := fmt.Sprint(r.Destination, "\n", r.Class, "\n", r.Tax.Category, "\n", r.From)
		if first, ok := seen[key]; ok {
			wrong.Add(at, "given_twice", "It has region, class, category and valid_from of the rate at %d.", first)
			continue
		}
		seen[key] = i
	}
	return wrong.Err()
}
