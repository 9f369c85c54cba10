package job

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"forkwright/service/catalog"
	"forkwright/service/unit"
)

// owner is the thing that a figure may belong to.
type owner struct{ kind, code string }

var dimensions = map[string]unit.Dimension{
	"torque": unit.Torque, "socket_before": unit.Length, "socket_after": unit.Length,
	"oil_volume": unit.Volume, "foam_soak": unit.Volume, "air_pressure_max": unit.Pressure,
}

// figure finds a figure of a place and notes it in the bill, known or not. The same figure is
// noted once.
func (p *plan) figure(name, place string, leg catalog.Leg) Figure {
	id := strings.Join(nonEmpty(name, place, string(leg)), "/")
	for _, f := range p.bill.Figures {
		if f.ID == id {
			return f
		}
	}
	f := p.find(name, place, leg)
	f.ID = id
	p.bill.Figures = append(p.bill.Figures, f)
	return f
}

// find asks the owners of a figure in turn: what is tightened there first. It never takes a
// figure of anything else.
func (p *plan) find(name, place string, leg catalog.Leg) Figure {
	owners := p.owners(name, place, leg)
	for _, o := range owners {
		for _, row := range p.rows(o, name, place, leg) {
			d := dimensions[name]
			si, err := (unit.Quantity{Value: row.Value, Unit: row.Unit}).SI(d)
			if err != nil {
				continue // a unit that we cannot read is no figure
			}
			return Figure{Figure: name, Place: place, Leg: leg, OwnerKind: o.kind, Owner: o.code, Published: Published{Value: row.Value, Unit: row.Unit},
				SI: si, SIUnit: unit.Units(d)[0], Publisher: row.Publisher, Source: row.Source}
		}
	}
	first := owners[0]
	return Figure{Figure: name, Place: place, Leg: leg, OwnerKind: first.kind, Owner: first.code, State: NotInOurData, WhereToLook: p.whereToLook(first)}
}

// rows are the rows of one owner that may state a figure: for the leg, for each leg, or, where a
// thing is there only once, for no leg.
func (p *plan) rows(o owner, name, place string, leg catalog.Leg) []*catalog.Figure {
	legs := []catalog.Leg{leg}
	if leg != catalog.NoLeg {
		legs = append(legs, catalog.BothLegs)
	}
	if leg != catalog.NoLeg && (o.kind == "part" || o.kind == "damper" || place == "top_cap" || place == "gland") {
		legs = append(legs, catalog.NoLeg)
	}
	var out []*catalog.Figure
	if place == "bump_stop" {
		place = "" // a bump stop is one place, so its rows name none
	}
	for _, l := range legs {
		if row, ok := p.rev.Figure(o.kind, o.code, name, place, l); ok {
			out = append(out, row)
		}
	}
	return out
}

// owners are the things whose figure counts at a place, the first of them the one to ask about.
func (p *plan) owners(name, place string, leg catalog.Leg) []owner {
	c := p.cartridge()
	if name == "socket_before" {
		c = p.fitted
	}
	fork := []owner{{"fork", p.fork.ID}, {"chassis", p.chassis.Code}}
	switch {
	case c != nil && place == "top_cap" && c.TopCap != "":
		return partOwners(c.TopCap, c.SKU)
	case c != nil && place == "foot" && leg == catalog.SpringLeg && c.FootNut != "":
		return partOwners(c.FootNut, c.SKU)
	case c != nil && place == "gland" && p.reuses(c, "stock_gland"):
		return append(partOwners(c.SKU), fork...)
	case c != nil && place == "gland":
		return partOwners(c.SKU)
	case c != nil && place == "bump_stop":
		return partOwners(c.BumpStop)
	case place == "bath" && leg == catalog.SpringLeg && c != nil:
		return append(fork, owner{"part", c.SKU})
	case place == "bath" && leg == catalog.DamperLeg, place == "damper":
		if d := p.q.Owned.Options["damper"]; d != "" {
			return append([]owner{{"damper", d}}, fork...)
		}
	}
	return fork
}

func (p *plan) reuses(c *catalog.CoilCartridge, item string) bool {
	return slices.ContainsFunc(p.rev.Handlings(c.SKU), func(h catalog.Handling) bool {
		return h.Action == "reuses" && h.Item == item
	})
}

func partOwners(skus ...string) []owner {
	var out []owner
	for _, sku := range skus {
		if sku != "" {
			out = append(out, owner{"part", sku})
		}
	}
	return out
}

func (p *plan) whereToLook(o owner) string {
	if o.kind == "part" {
		return fmt.Sprintf("the instructions that came with the %s (%s)", p.name(o.code), o.code)
	}
	if o.kind == "damper" {
		return fmt.Sprintf("the service manual of the damper %s", o.code)
	}
	return fmt.Sprintf("the service manual of %s for the %s", p.rev.MakerName(p.fork), p.fork.Name)
}

// number writes a value without trailing zeros.
func number(v float64) string { return strconv.FormatFloat(unit.Round(v, 2), 'f', -1, 64) }
