package stock

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/quagmt/udecimal"

	"forkwright/service/fault"
)

// What a negative count means.
const (
	NegativeOversold = "oversold" // more was sold than lay there: kept as it is, nothing is available
	NegativeZero     = "zero"
	NegativeRefuse   = "refuse"
)

// In what quantities are counted when a row does not say.
const (
	UnitsPart = "part" // in the part's own unit of sale
	UnitsPack = "pack" // in packages, where the part has them
	UnitsRow  = "row"  // the unit column says, and a part sold by volume or weight must have it
)

// Policy is how a location's feeds are read and what refuses them. Its zero value is not a
// policy: begin with DefaultPolicy or ParsePolicy.
type Policy struct {
	BadRowShare     float64                     // of the rows that concern us; above it the whole feed is refused
	GuardShare      float64                     // of the codes known before; above it a full feed is refused
	GuardLeastLines int                         // fewer missing codes than this never refuse
	Decimal         byte                        // '.' or ','
	Capped          bool                        // "10+" is at least 10
	Coded           map[string]udecimal.Decimal // folded word -> at least so many
	Negative        string
	Units           string
}

// DefaultPolicy: 1 % bad rows, 20 % and at least 20 missing codes (common practice, no source).
func DefaultPolicy() Policy {
	return Policy{BadRowShare: 0.01, GuardShare: 0.20, GuardLeastLines: 20, Decimal: '.', Negative: NegativeOversold, Units: UnitsPart}
}

// policyFile is a policy as its owner writes it.
type policyFile struct {
	BadRowShare     *float64                   `json:"bad_row_share"`
	GuardShare      *float64                   `json:"guard_share"`
	GuardLeastLines *int                       `json:"guard_least_lines"`
	Decimal         *string                    `json:"decimal"`
	Capped          bool                       `json:"capped"`
	Coded           map[string]json.RawMessage `json:"coded"`
	Negative        *string                    `json:"negative"`
	Units           *string                    `json:"units"`
}

var policyMembers = []string{"bad_row_share", "guard_share", "guard_least_lines", "decimal", "capped", "coded", "negative", "units"}

// readPolicy takes the members by their exact names, which encoding/json alone does not ask for.
func readPolicy(data []byte) (f policyFile, err error) {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(data, &members); err != nil {
		return f, err
	}
	for name := range members {
		if !slices.Contains(policyMembers, name) {
			return f, fmt.Errorf("unknown member %q", name)
		}
	}
	return f, json.Unmarshal(data, &f)
}

// ParsePolicy reads a policy; what it does not say is as in DefaultPolicy. It fails with a
// fault of kind Invalid whose pointers begin with /policy.
func ParsePolicy(data []byte) (Policy, error) {
	p := DefaultPolicy()
	if len(bytes.TrimSpace(data)) == 0 {
		return p, nil
	}
	f, err := readPolicy(data)
	if err != nil {
		var wrong fault.Fields
		wrong.Add("/policy", "invalid_policy", "policy is an object with bad_row_share, guard_share, guard_least_lines, decimal, capped, coded, negative and units, and nothing else.")
		return p, fault.WithCause(fault.As(wrong.Err()), err)
	}
	var wrong fault.Fields
	share(&wrong, "bad_row_share", f.BadRowShare, &p.BadRowShare)
	share(&wrong, "guard_share", f.GuardShare, &p.GuardShare)
	if n := f.GuardLeastLines; n != nil {
		if *n < 0 || *n > 1_000_000 {
			wrong.Add("/policy/guard_least_lines", "out_of_range", "guard_least_lines must be from 0 to 1000000.")
		}
		p.GuardLeastLines = *n
	}
	p.Capped = f.Capped
	word(&wrong, "negative", f.Negative, &p.Negative, NegativeOversold, NegativeZero, NegativeRefuse)
	word(&wrong, "units", f.Units, &p.Units, UnitsPart, UnitsPack, UnitsRow)
	sign := string(p.Decimal)
	word(&wrong, "decimal", f.Decimal, &sign, ".", ",")
	p.Decimal = sign[0]
	p.Coded = codedWords(&wrong, f.Coded)
	return p, wrong.Err()
}

func share(wrong *fault.Fields, name string, given, into *float64) {
	if given == nil {
		return
	}
	if *given < 0 || *given > 1 {
		wrong.Add("/policy/"+name, "out_of_range", "%s is a share from 0 to 1, such as 0.01 for 1 %%.", name)
	}
	*into = *given
}

func word(wrong *fault.Fields, name string, given, into *string, allowed ...string) {
	if given == nil {
		return
	}
	if !slices.Contains(allowed, *given) {
		wrong.Add("/policy/"+name, "not_in_list", "%s is %q; use %s.", name, *given, strings.Join(allowed, " or "))
		return
	}
	*into = *given
}

func codedWords(wrong *fault.Fields, coded map[string]json.RawMessage) map[string]udecimal.Decimal {
	out := map[string]udecimal.Decimal{}
	if len(coded) > 100 {
		wrong.Add("/policy/coded", "too_many", "coded takes 100 words at most.")
		return out
	}
	for _, w := range slices.Sorted(maps.Keys(coded)) {
		n, err := udecimal.Parse(string(coded[w]))
		if err != nil || n.IsNeg() || n.GreaterThan(largest) || strings.TrimSpace(w) == "" || utf8.RuneCountInString(w) > 40 {
			wrong.Add(fmt.Sprintf("/policy/coded/%s", w), "invalid_value", "coded gives for each word of up to 40 characters a number that is not below zero; %q has %s.", clip(w), clip(string(coded[w])))
			continue
		}
		out[foldWord(w)] = n
	}
	return out
}

func foldWord(w string) string { return strings.ToLower(strings.TrimSpace(w)) }
