package money

import (
	"math/big"
	"slices"

	"forkwright/service/fault"
)

// Split divides a total over weights so that the parts add up to it exactly: the
// largest remainder method, also called Hamilton's. Each part is a whole number
// of minor units; units left over go to the largest fractional parts, a tie to
// the earlier weight. A negative total mirrors its positive twin.
//
// The total must fit the digits. Faults, of kind Invalid: amount_too_precise,
// negative_weight, and no_positive_weight when the weights sum to zero.
func Split(total Amount, digits int, weights []Amount) ([]Amount, error) {
	if !total.Fits(digits) {
		return nil, fault.New(fault.Invalid, "amount_too_precise", "%s cannot be split: it has more than %d decimals", total, digits)
	}
	sum := new(big.Rat)
	for _, w := range weights {
		if w.Sign() < 0 {
			return nil, fault.New(fault.Invalid, "negative_weight", "%s cannot be a weight: weights are not negative", w)
		}
		sum.Add(sum, w.Ratio())
	}
	if sum.Sign() == 0 {
		return nil, fault.New(fault.Invalid, "no_positive_weight", "%s cannot be split: there is nothing with a positive weight to carry it", total)
	}
	units := splitUnits(total.Abs().units(digits), sum, weights)
	parts := make([]Amount, len(units))
	for i, u := range units {
		if total.Sign() < 0 {
			u.Neg(u)
		}
		parts[i] = FromUnits(u, digits)
	}
	return parts, nil
}

func splitUnits(total *big.Int, sum *big.Rat, weights []Amount) []*big.Int {
	parts := make([]*big.Int, len(weights))
	rests := make([]*big.Rat, len(weights))
	left := new(big.Int).Set(total)
	for i, w := range weights {
		share := new(big.Rat).Mul(new(big.Rat).SetInt(total), w.Ratio())
		share.Quo(share, sum)
		parts[i] = new(big.Int).Quo(share.Num(), share.Denom())
		rests[i] = share.Sub(share, new(big.Rat).SetInt(parts[i]))
		left.Sub(left, parts[i])
	}
	order := make([]int, len(weights))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return rests[b].Cmp(rests[a]) })
	for _, i := range order[:left.Int64()] { // fewer units are left than there are weights
		parts[i].Add(parts[i], big.NewInt(1))
	}
	return parts
}

// units is a in minor units; a must fit the digits.
func (a Amount) units(digits int) *big.Int {
	r := a.Ratio()
	r.Mul(r, new(big.Rat).SetInt(pow10(digits)))
	return new(big.Int).Set(r.Num())
}
