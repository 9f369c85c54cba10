package quote

import (
	"math/big"

	"forkwright/service/money"
)

// withoutTax takes the tax out of a price that includes it:
// BT-116 = round(G x 100 / (100 + rate)).
func withoutTax(gross, rate money.Amount, digits int) money.Amount {
	r := new(big.Rat).Mul(gross.Ratio(), hundred.Ratio())
	return money.RoundRatio(r.Quo(r, hundred.Add(rate).Ratio()), digits)
}

// spreadNets gives each part of a group priced gross its share of the taxable
// amount, so that BR-CO-10 and BR-S-08 hold to the last unit. Weights cannot be
// negative, so parts above and below zero (sales and charges here, returns and
// allowances there) are spread apart: the heavier side is rounded, the other is
// what remains. That rule has no preferred sign, so a credit mirrors its sale.
func (g *group) spreadNets(gross, taxable money.Amount, digits int) error {
	plus, minus := money.Sum(digits), money.Sum(digits)
	for _, p := range g.parts {
		if p.amount.Sign() > 0 {
			plus = plus.Add(p.amount)
		} else {
			minus = minus.Add(p.amount)
		}
	}
	netPlus, netMinus := taxable, money.Sum(digits)
	switch {
	case plus.IsZero():
		netPlus, netMinus = netMinus, taxable
	case minus.IsZero():
	case gross.Sign() >= 0:
		netPlus = withoutTax(plus, g.tax.Rate, digits)
		netMinus = taxable.Sub(netPlus)
	default:
		netMinus = withoutTax(minus, g.tax.Rate, digits)
		netPlus = taxable.Sub(netMinus)
	}
	if err := g.spreadSide(1, netPlus, digits); err != nil {
		return err
	}
	return g.spreadSide(-1, netMinus, digits)
}

func (g *group) spreadSide(sign int, total money.Amount, digits int) error {
	var side []part
	var weights []money.Amount
	for _, p := range g.parts {
		if p.amount.Sign() == sign {
			side = append(side, p)
			weights = append(weights, p.amount.Abs())
		}
	}
	if len(side) == 0 {
		return nil
	}
	nets, err := money.Split(total, digits, weights)
	if err != nil {
		return err
	}
	for i, p := range side {
		*p.net = nets[i]
		if p.negate {
			*p.net = nets[i].Neg()
		}
	}
	return nil
}
