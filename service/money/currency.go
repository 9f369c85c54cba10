package money

import (
	"github.com/bojanz/currency"

	"forkwright/service/fault"
)

// Currency is an ISO 4217 alphabetic code.
type Currency string

// ParseCurrency accepts the codes now in force, in capitals. Anything else is a
// fault of kind Invalid, code unknown_currency.
func ParseCurrency(code string) (Currency, error) {
	if _, ok := currency.GetDigits(code); !ok || code == "" {
		return "", fault.New(fault.Invalid, "unknown_currency", "%q is not a currency in force; use an ISO 4217 code in capitals, such as EUR or JPY", clip(code))
	}
	return Currency(code), nil
}

// Digits is the number of decimals of the minor unit: JPY 0, EUR 2, KWD 3. It is
// 2 for a code that ParseCurrency would refuse.
func (c Currency) Digits() int {
	if d, ok := currency.GetDigits(string(c)); ok {
		return int(d)
	}
	return 2
}

// Decimals is the number of decimals of a document in this currency. A document
// may lower the currency's digits (forint are billed whole) and never raise them;
// the fault is decimals_out_of_range.
func (c Currency) Decimals(override *int) (int, error) {
	digits := c.Digits()
	if override == nil {
		return digits, nil
	}
	if *override < 0 || *override > digits {
		return 0, fault.New(fault.Invalid, "decimals_out_of_range", "%s has %d decimals; a document may use 0 to %d, not %d", c, digits, digits, *override)
	}
	return *override, nil
}
