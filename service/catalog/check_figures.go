package catalog

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"time"

	"forkwright/service/fastener"
	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/unit"
)

// spans checks dates, and pairs of from and to in every table but the fitments.
func spans(c *checking) {
	for i := range c.t.Forks {
		x := &c.t.Forks[i]
		c.ordered(x.Pos, "year_to", "year_from", int(x.YearFrom), int(x.YearTo))
	}
	for i := range c.t.ForkOptions {
		x := &c.t.ForkOptions[i]
		c.ordered(x.Pos, "year_to", "year_from", int(x.YearFrom), int(x.YearTo))
		c.dates(x.Pos, "date_from", x.DateFrom, "date_to", x.DateTo)
		c.serials(x.Pos, x.SerialFrom, x.SerialTo)
	}
	for i := range c.t.PriceLists {
		x := &c.t.PriceLists[i]
		c.dates(x.Pos, "valid_from", x.ValidFrom, "valid_until", x.ValidUntil)
	}
}

func (c *checking) ordered(at Pos, field, other string, from, to int) {
	if from != 0 && to != 0 && from > to {
		c.bad(at, field, "from_after_to", "%s is %d, before %s %d; exchange or correct them", field, to, other, from)
	}
}

func (c *checking) serials(at Pos, from, to string) {
	if from != "" && to != "" && CompareSerials(from, to) > 0 {
		c.bad(at, "serial_to", "from_after_to", "the serial number %s comes before %s; exchange or correct them", to, from)
	}
}

func (c *checking) dates(at Pos, fromField, from, toField, to string) {
	for _, x := range [][2]string{{fromField, from}, {toField, to}} {
		if x[1] == "" {
			continue
		}
		if _, err := time.Parse(time.DateOnly, x[1]); err != nil {
			c.bad(at, x[0], "not_a_date", "%q is not a date; write it as 2024-03-31", x[1])
			return
		}
	}
	if from != "" && to != "" && from > to {
		c.bad(at, toField, "from_after_to", "%s comes before %s; exchange or correct them", to, from)
	}
}

// kindOfFigure is what a figure measures and what is plausible for it, in the unit of its
// dimension: a torque in N m, a socket in mm, a volume in mL, a pressure in kPa. The ranges
// are wide and from memory; they find wrong units, they judge no design.
type kindOfFigure struct {
	dimension   unit.Dimension
	least, most float64
}

func figureKinds() map[string]kindOfFigure {
	return map[string]kindOfFigure{
		"torque":           {unit.Torque, 0.3, 80},
		"socket_before":    {unit.Length, 1.5, 60},
		"socket_after":     {unit.Length, 1.5, 60},
		"oil_volume":       {unit.Volume, 1, 500},
		"foam_soak":        {unit.Volume, 0.2, 30},
		"air_pressure_max": {unit.Pressure, 50, 3500},
	}
}

// figures checks the numbers that carry a unit of their own, wherever they stand.
func figures(c *checking) {
	kinds := figureKinds()
	owners := map[string]map[string]bool{"chassis": c.names["chassis"], "fork": c.names["forks"], "part": c.names["parts"], "damper": c.names["dampers"]}
	for i := range c.t.Figures {
		x := &c.t.Figures[i]
		if !c.sound(x.Pos) {
			continue
		}
		if !owners[x.OwnerKind][x.Owner] {
			c.bad(x.Pos, "owner", "unknown_owner", "there is no %s %q; correct it or add it", x.OwnerKind, x.Owner)
			continue
		}
		k := kinds[x.Figure]
		if x.Figure == "torque" {
			k.least, k.most = 0, 0 // judged by its fastener
		}
		c.published(x.Pos, "value", "unit", Published{x.Value, x.Unit}, k)
	}
	rate := kindOfFigure{unit.Rate, 1, 40}
	for i := range c.t.Springs {
		x := &c.t.Springs[i]
		c.published(x.Pos, "rate", "rate_unit", Published{x.Rate, x.RateUnit}, rate)
	}
	for i := range c.t.ClickRows {
		x := &c.t.ClickRows[i]
		c.published(x.Pos, "rate", "rate_unit", Published{x.Rate, x.RateUnit}, rate)
	}
	for i := range c.t.MassRows {
		x := &c.t.MassRows[i]
		c.published(x.Pos, "rate", "rate_unit", Published{x.Rate, x.RateUnit}, rate)
	}
	for i := range c.t.AirCartridges {
		x := &c.t.AirCartridges[i]
		c.published(x.Pos, "pressure_max", "pressure_unit", Published{x.PressureMax, x.PressureUnit}, kindOfFigure{unit.Pressure, 150, 3500})
		if x.PressureMin != 0 && x.PressureMin >= x.PressureMax && c.sound(x.Pos) {
			c.bad(x.Pos, "pressure_min", "from_after_to", "the least pressure %v is not below the greatest %v", x.PressureMin, x.PressureMax)
		}
	}
	for i := range c.t.BumpStops {
		c.bumpStopPressures(&c.t.BumpStops[i])
	}
}

func (c *checking) bumpStopPressures(x *BumpStop) {
	if x.PressureMax == 0 && x.PeakMax == 0 && len(x.Settings) == 0 || !c.sound(x.Pos) {
		return
	}
	if x.PressureUnit == "" {
		c.bad(x.Pos, "pressure_unit", "required", "pressures need a unit; write psi, bar or kPa")
		return
	}
	if x.PressureMax != 0 {
		c.published(x.Pos, "pressure_max", "pressure_unit", Published{x.PressureMax, x.PressureUnit}, kindOfFigure{unit.Pressure, 20, 3500})
	}
	if x.PeakMax != 0 && c.sound(x.Pos) {
		c.published(x.Pos, "peak_pressure_max", "pressure_unit", Published{x.PeakMax, x.PressureUnit}, kindOfFigure{unit.Pressure, 100, 20000})
	}
	for i, p := range x.Settings {
		if !c.sound(x.Pos) {
			return
		}
		switch {
		case p < 0 || x.PressureMax != 0 && p > x.PressureMax:
			c.bad(x.Pos, "settings", "setting_over_limit", "the setting %v is not within 0 and the greatest pressure %v", p, x.PressureMax)
		case i > 0 && p <= x.Settings[i-1]:
			c.bad(x.Pos, "settings", "not_rising", "settings rise; %v follows %v", p, x.Settings[i-1])
		}
	}
}

// published checks a figure's unit and size.
func (c *checking) published(at Pos, valueField, unitField string, p Published, k kindOfFigure) {
	if !c.sound(at) {
		return
	}
	si, err := p.SI(k.dimension)
	if err != nil {
		c.bad(at, unitField, "unknown_unit", "%v", err)
		return
	}
	if k.least == 0 && k.most == 0 || si >= k.least && si <= k.most {
		return
	}
	advice := "correct the value or its unit"
	for _, u := range unit.Units(k.dimension) {
		if other, err := (Published{p.Value, u}).SI(k.dimension); err == nil && other >= k.least && other <= k.most {
			advice = fmt.Sprintf("with the unit %s it would be plausible", u)
			break
		}
	}
	c.bad(at, valueField, "implausible", "%s %s is implausible for %s, which lies between %v and %v %s; %s",
		number(p.Value), p.Unit, valueField, k.least, k.most, unit.Units(k.dimension)[0], advice)
}

// fastenerAt is the kind of fastener of a place.
func fastenerAt(place string) fastener.Kind {
	switch place {
	case "top_cap":
		return fastener.TopCap
	case "foot":
		return fastener.FootFastener
	case "axle":
		return fastener.Axle
	}
	return fastener.AnyFastener
}

// torques names entries that look like another unit. It never says what a torque should be.
func torques(c *checking) {
	for i := range c.t.Figures {
		x := &c.t.Figures[i]
		if x.Figure != "torque" || !c.sound(x.Pos) {
			continue
		}
		v, err := Published{x.Value, x.Unit}.SI(unit.Torque)
		if err != nil {
			continue
		}
		j := fastener.Judge(fastenerAt(x.Place), v, x.Value)
		switch {
		case j.Status != fastener.Implausible:
		case j.Slip != "":
			c.bad(x.Pos, "unit", "torque_unit", "%s %s is outside %v to %v N m, which is usual for this fastener, and would be inside with the unit %s; look at the source and correct unit or value",
				number(x.Value), x.Unit, j.LowNM, j.HighNM, j.Slip)
		case j.Far:
			c.bad(x.Pos, "value", "torque_implausible", "%s %s is far outside %v to %v N m, which is usual for this fastener; correct it", number(x.Value), x.Unit, j.LowNM, j.HighNM)
		default:
			c.warn(x.Pos, "value", "torque_unusual", "%s %s is outside %v to %v N m, which is usual for this fastener; compare it with its source", number(x.Value), x.Unit, j.LowNM, j.HighNM)
		}
	}
}

func gtins(c *checking) {
	seen := map[string]*Part{}
	for i := range c.t.Parts {
		x := &c.t.Parts[i]
		if x.GTIN == "" || !c.sound(x.Pos) {
			continue
		}
		gtin, err := money.NormalizeGTIN(x.GTIN)
		if err != nil {
			c.bad(x.Pos, "gtin", "gtin_wrong", "%s", sentence(err))
			continue
		}
		if other := seen[gtin]; other != nil {
			c.warn(x.Pos, "gtin", "gtin_twin", "%s has the number of %s (line %d); a scan will find both and ask which", x.SKU, other.SKU, other.Line)
			continue
		}
		seen[gtin] = x
	}
}

// sentence is what a fault says to a person, without its code.
func sentence(err error) string {
	var f *fault.Error
	if errors.As(err, &f) {
		return f.Text
	}
	return err.Error()
}

var language = regexp.MustCompile(`^[a-z]{2,3}(-[A-Z]{2})?$`)

// names checks that texts belong to something, and that what a customer reads has English.
func names(c *checking) {
	items := map[string]bool{}
	for _, h := range c.t.Handlings {
		items[h.Item] = true
	}
	of := map[string]map[string]bool{"part": c.names["parts"], "operation": c.names["operations"], "opening": c.names["openings"],
		"job": c.names["jobs"], "spring_family": c.names["spring_families"], "item": items}
	english := map[[2]string]bool{}
	for i := range c.t.Texts {
		x := &c.t.Texts[i]
		if x.Lang == "en" {
			english[[2]string{x.Of, x.Code}] = true
		}
		if known := of[x.Of]; known != nil && !known[x.Code] && c.sound(x.Pos) {
			c.bad(x.Pos, "code", "unknown_code", "there is no %s %q; correct the code or delete the row", x.Of, x.Code)
		}
		if !language.MatchString(x.Lang) && c.sound(x.Pos) {
			c.bad(x.Pos, "lang", "unknown_language", "%q is no language; write en, de or fr", x.Lang)
		}
	}
	for i := range c.t.FactTexts {
		x := &c.t.FactTexts[i]
		if !language.MatchString(x.Lang) && c.sound(x.Pos) {
			c.bad(x.Pos, "lang", "unknown_language", "%q is no language; write en, de or fr", x.Lang)
		}
	}
	nameless := func(at Pos, of, code, field string) {
		if !english[[2]string{of, code}] && c.sound(at) {
			c.warn(at, field, "no_name", "%s has no English name; a customer would read its code; add a row to texts", code)
		}
	}
	for i := range c.t.Parts {
		nameless(c.t.Parts[i].Pos, "part", c.t.Parts[i].SKU, "sku")
	}
	for i := range c.t.Jobs {
		nameless(c.t.Jobs[i].Pos, "job", c.t.Jobs[i].Job, "job")
	}
	for i := range c.t.Operations {
		nameless(c.t.Operations[i].Pos, "operation", c.t.Operations[i].Operation, "operation")
	}
}

// prices checks amounts and that what can be sold has a price on every recommended list.
func prices(c *checking) {
	decimals := map[string]int{}
	for i := range c.t.PriceLists {
		x := &c.t.PriceLists[i]
		cur, err := money.ParseCurrency(x.Currency)
		if err != nil && c.sound(x.Pos) {
			c.bad(x.Pos, "currency", "unknown_currency", "%s", sentence(err))
		}
		decimals[x.List] = cur.Digits()
	}
	has := map[[2]string]bool{}
	least := map[[2]string]*Price{}
	for i := range c.t.Prices {
		x := &c.t.Prices[i]
		key := [2]string{x.List, x.SKU}
		has[key] = true
		if l := least[key]; l == nil || x.MinQuantity < l.MinQuantity {
			least[key] = x
		}
		if !c.sound(x.Pos) {
			continue
		}
		amount, err := money.Parse(x.Amount)
		switch {
		case err != nil:
			c.bad(x.Pos, "price", "not_an_amount", "%s", sentence(err))
		case amount.Sign() <= 0:
			c.bad(x.Pos, "price", "not_an_amount", "%s is not above zero; a part that costs nothing is no part of a price list", x.Amount)
		case !amount.Fits(decimals[x.List]) && x.BaseQuantity <= 1:
			c.warn(x.Pos, "price", "price_decimals", "%s has more decimals than its currency; where that is meant, give a base quantity", x.Amount)
		}
	}
	c.missingPrices(has)
	for key, x := range least {
		if x.MinQuantity > 1 && c.sound(x.Pos) {
			c.bad(x.Pos, "min_quantity", "no_price_for_one", "%s on %s has a price only from %v on; add the price for less", key[1], key[0], x.MinQuantity)
		}
	}
}

func (c *checking) missingPrices(has map[[2]string]bool) {
	var lists []string
	for i := range c.t.PriceLists {
		x := &c.t.PriceLists[i]
		if x.Audience != "recommended" || !c.sound(x.Pos) || slices.Contains(lists, x.List) {
			continue
		}
		lists = append(lists, x.List)
	}
	for i := range c.t.Parts {
		x := &c.t.Parts[i]
		if x.Status != "active" || x.Kind == KindLabor || !c.sound(x.Pos) {
			continue
		}
		var missing []string
		for _, l := range lists {
			if !has[[2]string{l, x.SKU}] {
				missing = append(missing, l)
			}
		}
		if len(missing) > 0 {
			c.bad(x.Pos, "sku", "price_missing", "%s has no price on %v; add it, or mark the part discontinued", x.SKU, missing)
		}
	}
}
