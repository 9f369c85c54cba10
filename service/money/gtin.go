package money

import (
	"strings"

	"forkwright/service/fault"
)

// CheckDigit computes the last digit of a trade item number (GTIN-8, -12, -13,
// -14) from the 7, 11, 12 or 13 digits before it. From the right the digits weigh
// 3, 1, 3, ...; the check digit, which weighs 1, brings the sum to a multiple of
// ten (GS1 General Specifications, standard check digit calculation). Faults:
// gtin_not_digits, gtin_length.
func CheckDigit(digits string) (string, error) {
	if !allDigits(digits) {
		return "", fault.New(fault.Invalid, "gtin_not_digits", "%q is not a trade item number: it holds more than digits", clip(digits))
	}
	switch len(digits) {
	case 7, 11, 12, 13:
	default:
		return "", fault.New(fault.Invalid, "gtin_length", "a check digit follows 7, 11, 12 or 13 digits, not %d", len(digits))
	}
	sum := 0
	for i := range digits {
		digit := int(digits[len(digits)-1-i] - '0')
		if i%2 == 0 {
			digit *= 3
		}
		sum += digit
	}
	return string(rune('0' + (10-sum%10)%10)), nil
}

// NormalizeGTIN checks a trade item number of 8, 12, 13 or 14 digits and pads it
// with zeros to 14, the one form in which numbers are kept and compared. Spaces
// around it are ignored. Faults: gtin_not_digits, gtin_length, gtin_check_digit.
func NormalizeGTIN(text string) (string, error) {
	gtin := strings.TrimSpace(text)
	if !allDigits(gtin) {
		return "", fault.New(fault.Invalid, "gtin_not_digits", "%q is not a trade item number: it holds more than digits", clip(gtin))
	}
	switch len(gtin) {
	case 8, 12, 13, 14:
	default:
		return "", fault.New(fault.Invalid, "gtin_length", "a trade item number has 8, 12, 13 or 14 digits; %q has %d", clip(gtin), len(gtin))
	}
	last := len(gtin) - 1
	check, err := CheckDigit(gtin[:last])
	if err != nil {
		return "", err
	}
	if gtin[last:] != check {
		return "", fault.New(fault.Invalid, "gtin_check_digit", "%s is mistyped or misread: its last digit should be %s if the others are right", gtin, check)
	}
	return strings.Repeat("0", 14-len(gtin)) + gtin, nil
}
