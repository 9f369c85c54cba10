package stock

// Why a row was bad. The codes are stable; Reason has their sentences.
const (
	RejectMalformed       = "malformed_row"
	RejectNoCode          = "code_missing"
	RejectCodeConflict    = "codes_disagree"
	RejectAmbiguousGTIN   = "ambiguous_gtin"
	RejectQuantityMissing = "quantity_missing"
	RejectNotANumber      = "not_a_number"
	RejectTooLarge        = "too_large"
	RejectTooPrecise      = "too_precise"
	RejectNegative        = "negative"
	RejectNotWhole        = "not_whole"
	RejectUnitMissing     = "unit_missing"
	RejectUnknownUnit     = "unknown_unit"
	RejectBadDate         = "not_a_date"
	RejectDateMissing     = "date_missing"
	RejectBin             = "bin_too_long"
	RejectControl         = "control_character"
	RejectDuplicate       = "duplicate"
)

var reasons = map[string]string{
	RejectMalformed:       "The row does not have the columns that the header names, or is no JSON object of texts and numbers.",
	RejectNoCode:          "The row names no part: sku, gtin and code are all empty.",
	RejectCodeConflict:    "The row's codes name different parts.",
	RejectAmbiguousGTIN:   "Several parts share this GTIN; send the SKU, or map your code to one of them.",
	RejectQuantityMissing: "The quantity on hand is empty; a part that is not there has 0.",
	RejectNotANumber:      "The quantity is neither a number in the location's notation nor one of its coded words.",
	RejectTooLarge:        "The quantity is too large to be meant.",
	RejectTooPrecise:      "The quantity has more than 6 decimals.",
	RejectNegative:        "The quantity is below zero, which this location's policy does not take.",
	RejectNotWhole:        "The part is counted in whole units; this quantity is none.",
	RejectUnitMissing:     "The part is sold by volume or weight, and the row does not say in which unit it counts.",
	RejectUnknownUnit:     "The unit is none in which this part is counted.",
	RejectBadDate:         "The date of what comes in is not written as 2026-03-31.",
	RejectDateMissing:     "Something comes in, and the row does not say when.",
	RejectBin:             "The bin has more than 60 characters.",
	RejectControl:         "The row contains a control character.",
	RejectDuplicate:       "An earlier row of the feed named the same part at the same location; that one counts.",
}

// Reason is the sentence for a code.
func Reason(code string) string { return reasons[code] }

// Reject is a bad row.
type Reject struct {
	Line  int64
	Code  string
	Value string // what was there, shortened
}
