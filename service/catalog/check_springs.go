package catalog

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"forkwright/service/spring"
	"forkwright/service/unit"
)

// springs checks each coil on its own. Geometry confirms a published rate and never corrects
// it: books differ by 3 % in the modulus, and 0.05 mm of wire is worth 4 % of rate.
func springs(c *checking) {
	for i := range c.t.Springs {
		x := &c.t.Springs[i]
		if !c.sound(x.Pos) {
			continue
		}
		index := spring.Index(x.MeanMM, x.WireMM)
		active, status := spring.ActiveCoils(spring.Ends(x.Ends), x.TotalCoils)
		solid := blockLength(x)
		switch {
		case index < 3 || index > 20:
			c.bad(x.Pos, "wire_mm", "spring_index", "mean diameter over wire is %s; a spring that can be coiled has 4 to 12: correct one of the two", number(index))
		case status != spring.OK || x.ActiveCoils >= x.TotalCoils && x.Ends != string(spring.Plain):
			c.bad(x.Pos, "total_coils", "coil_count", "%s total coils with %s ends cannot leave %s active ones", number(x.TotalCoils), x.Ends, number(x.ActiveCoils))
		case solid >= x.FreeLengthMM:
			c.bad(x.Pos, "free_length_mm", "solid", "wound solid this spring is %s mm long, its free length is %s: correct coils, wire or length", number(solid), number(x.FreeLengthMM))
		case math.Abs(active-x.ActiveCoils) > 1:
			c.warn(x.Pos, "active_coils", "coil_count", "%s total coils with %s ends leave %s active ones, not %s; compare with the drawing", number(x.TotalCoils), x.Ends, number(active), number(x.ActiveCoils))
		case !spring.IndexIsHandy(index):
			c.warn(x.Pos, "wire_mm", "spring_index", "mean diameter over wire is %s; springs from 4 to 12 are usual", number(index))
		}
		if c.sound(x.Pos) {
			c.rateAgrees(x)
		}
	}
}

// rateAgrees compares the published rate with G d⁴/(8 D³ n) (Shigley 10e Eq. 10-9).
func (c *checking) rateAgrees(x *Spring) {
	wire, status := spring.WireOf(spring.Grade(x.Material), x.WireMM)
	if status != spring.OK {
		if status == spring.InvalidInput {
			c.warn(x.Pos, "material", "unknown_material", "%q is no wire grade that is known here; its strength cannot be checked", x.Material)
		}
		wire.ShearMPa = 79500 // within 4 % of every spring steel
	}
	k, status := spring.Rate(wire.ShearMPa, x.WireMM, x.MeanMM, x.ActiveCoils)
	if status != spring.OK {
		return
	}
	off := x.RateNPerMM()/k - 1
	switch text := fmt.Sprintf("wire, diameter and coils make %s N/mm, and the published rate is %s N/mm, %+.0f %%", number(k), number(x.RateNPerMM()), off*100); {
	case off > 0.2 || off < -0.2:
		c.bad(x.Pos, "rate", "rate_geometry", "%s; correct the rate, its unit or the geometry", text)
	case math.Abs(off) > spring.GeometryTolerance():
		c.warn(x.Pos, "rate", "rate_geometry", "%s; compare with the drawing", text)
	}
}

// blockLength is the length of a coil wound solid (EN 13906-1).
func blockLength(x *Spring) float64 {
	ground := x.Ends == string(spring.PlainGround) || x.Ends == string(spring.SquaredGround)
	return spring.BlockLength(ground, x.WireMM, x.TotalCoils)
}

func preloads(c *checking) {
	for i := range c.t.CoilCartridges {
		x := &c.t.CoilCartridges[i]
		rows := slices.Clone(c.r.preloads[x.SKU])
		if !c.sound(x.Pos) {
			continue
		}
		if len(rows) == 0 {
			c.bad(x.Pos, "sku", "no_preload", "%s has no preload setting; add to preloads the cavity that it leaves for the spring", x.SKU)
			continue
		}
		slices.SortStableFunc(rows, func(a, b *Preload) int { return cmp.Compare(a.Setting, b.Setting) })
		for n, p := range rows {
			switch {
			case !c.sound(p.Pos):
			case p.Setting != n+1:
				c.bad(p.Pos, "setting", "setting_missing", "settings of %s count from 1 without a gap; %d stands where %d belongs", x.SKU, p.Setting, n+1)
			case n > 0 && c.sound(rows[n-1].Pos) && p.CavityMM >= rows[n-1].CavityMM:
				c.bad(p.Pos, "cavity_mm", "cavity_not_shorter", "more preload leaves a shorter cavity; setting %d of %s leaves %s mm, the one before %s", p.Setting, x.SKU, number(p.CavityMM), number(rows[n-1].CavityMM))
			case (p.Spacers > 0) != (p.Spacer != ""):
				c.bad(p.Pos, "spacers", "spacers", "a spacer and a number of them go together; setting %d of %s has one of the two", p.Setting, x.SKU)
			default:
				continue
			}
			break // the rest follows from the first
		}
	}
}

// pairing is a spring and a cartridge row that do not go together.
type pairing struct {
	spring *Spring
	field  string // of the spring row
	other  Pos    // the cartridge or preload row
	name   string // of the other
	oField string
	says   string
}

// blame tells pairings at the rows that explain the most of them: a spring that is wrong is
// wrong in every cartridge, a cartridge for every spring.
func (c *checking) blame(code string, pairs []pairing) {
	for told := 0; len(pairs) > 0; told++ {
		if told == mostExplained {
			for _, p := range pairs {
				if c.sound(p.spring.Pos) {
					c.bad(p.spring.Pos, p.field, code, "%s with %s: %s", p.spring.SKU, p.name, p.says)
				}
			}
			return
		}
		count := map[Pos]int{}
		for _, p := range pairs {
			count[p.spring.Pos]++
			count[p.other]++
		}
		worst, atSpring := pairs[0], true
		for _, p := range pairs {
			if count[p.spring.Pos] > count[posOf(worst, atSpring)] {
				worst, atSpring = p, true
			}
			if count[p.other] > count[posOf(worst, atSpring)] {
				worst, atSpring = p, false
			}
		}
		at := posOf(worst, atSpring)
		var with []string
		pairs = slices.DeleteFunc(pairs, func(p pairing) bool {
			if p.spring.Pos != at && p.other != at {
				return false
			}
			if name := p.name; !atSpring {
				with = append(with, p.spring.SKU)
			} else {
				with = append(with, name)
			}
			return true
		})
		slices.Sort(with)
		with = slices.Compact(with)
		field, name := worst.field, worst.spring.SKU
		if !atSpring {
			field, name = worst.oField, worst.name
		}
		c.bad(at, field, code, "%s with %s: %s", name, fewOf(with), worst.says)
	}
}

func posOf(p pairing, atSpring bool) Pos {
	if atSpring {
		return p.spring.Pos
	}
	return p.other
}

func fewOf(list []string) string {
	const few = 5
	if len(list) > few {
		return fmt.Sprintf("%s and %d more", strings.Join(list[:few], ", "), len(list)-few)
	}
	return strings.Join(list, ", ")
}

// eachPair visits the sound springs of a cartridge's family with each of its preload settings.
func (c *checking) eachPair(visit func(x *CoilCartridge, p *Preload, s *Spring)) {
	family := map[string][]*Spring{}
	for name, list := range c.r.families {
		for _, s := range list {
			if c.sound(s.Pos) {
				family[name] = append(family[name], s)
			}
		}
	}
	for i := range c.t.CoilCartridges {
		x := &c.t.CoilCartridges[i]
		for _, p := range c.r.preloads[x.SKU] {
			if !c.sound(x.Pos, p.Pos) {
				continue
			}
			for _, s := range family[x.SpringFamily] {
				visit(x, p, s)
			}
		}
	}
}

func rattles(c *checking) {
	var pairs []pairing
	c.eachPair(func(x *CoilCartridge, p *Preload, s *Spring) {
		if s.FreeLengthMM < p.CavityMM {
			pairs = append(pairs, pairing{s, "free_length_mm", p.Pos, fmt.Sprintf("%s setting %d", x.SKU, p.Setting), "cavity_mm",
				fmt.Sprintf("the spring is %s mm long, its cavity %s mm, so it rattles; a spring is longer than its cavity", number(s.FreeLengthMM), number(p.CavityMM))})
		}
	})
	c.blame("rattles", pairs)
}

// binds checks every preload setting: each spacer spends length that the travel needs.
func binds(c *checking) {
	var bound, close []pairing
	c.eachPair(func(x *CoilCartridge, p *Preload, s *Spring) {
		block := blockLength(s)
		gap := spring.CheckClearance(s.FreeLengthMM, block, block+spring.GapSum(s.ActiveCoils, s.MeanMM, s.WireMM, false), s.FreeLengthMM-p.CavityMM, float64(x.TravelMM))
		if gap.Status != spring.CoilBind && gap.Status != spring.BelowMinimumGap {
			return
		}
		found := pairing{s, "free_length_mm", p.Pos, fmt.Sprintf("%s setting %d", x.SKU, p.Setting), "cavity_mm",
			fmt.Sprintf("at %d mm of travel the coils touch: they bind at %s mm; fewer coils, thinner wire or a longer spring", x.TravelMM, number(gap.BindMM))}
		switch gap.Status {
		case spring.CoilBind:
			bound = append(bound, found)
		case spring.BelowMinimumGap:
			found.says = fmt.Sprintf("the coils come closer than their least gap after %s mm of %d mm of travel", number(gap.GapMM), x.TravelMM)
			close = append(close, found)
		}
	})
	c.blame("coil_bind", bound)
	told := map[Pos]bool{}
	for _, p := range close {
		if !told[p.spring.Pos] && c.sound(p.spring.Pos, p.other) {
			told[p.spring.Pos] = true
			c.warn(p.spring.Pos, "free_length_mm", "minimum_gap", "%s with %s: %s", p.spring.SKU, p.name, p.says)
		}
	}
}

func clearances(c *checking) {
	var bore, shaft, body []pairing
	c.eachPair(func(x *CoilCartridge, p *Preload, s *Spring) {
		if p.Setting != 1 {
			return // the bore is the same at every setting
		}
		outside, inside := s.MeanMM+s.WireMM+2*s.SleeveMM, s.MeanMM-s.WireMM
		if outside >= x.BoreMM {
			bore = append(bore, pairing{s, "mean_diameter_mm", x.Pos, x.SKU, "bore_mm",
				fmt.Sprintf("the coil with its sleeve is %s mm wide, the bore %s mm", number(outside), number(x.BoreMM))})
		}
		if inside <= x.ShaftMM {
			shaft = append(shaft, pairing{s, "mean_diameter_mm", x.Pos, x.SKU, "shaft_mm",
				fmt.Sprintf("the coil is %s mm wide inside, the shaft %s mm", number(inside), number(x.ShaftMM))})
		}
	})
	c.blame("coil_bore", bore)
	c.blame("coil_shaft", shaft)
	for i := range c.t.CoilCartridges {
		x := &c.t.CoilCartridges[i]
		b := c.r.bumpStops[x.BumpStop]
		for _, s := range c.r.families[x.SpringFamily] {
			if inside := s.MeanMM - s.WireMM; b != nil && c.sound(x.Pos, b.Pos, s.Pos) && inside <= b.BodyMM {
				body = append(body, pairing{s, "mean_diameter_mm", b.Pos, b.SKU, "body_mm",
					fmt.Sprintf("the coil is %s mm wide inside, the bump stop %s mm outside", number(inside), number(b.BodyMM))})
			}
		}
	}
	c.blame("coil_bump_stop", body)
}

func airChambers(c *checking) {
	for i := range c.t.AirCartridges {
		x := &c.t.AirCartridges[i]
		if !c.sound(x.Pos) {
			continue
		}
		left := x.VolumeML - float64(x.SpacersMax)*x.SpacerML - x.PistonMM2*float64(x.TravelMM)/unit.MM3PerML
		switch {
		case left <= 0:
			c.bad(x.Pos, "volume_ml", "chamber_too_small", "the piston sweeps %s mL, and the chamber with %d spacers holds %s mL: correct volume, area, travel or spacers",
				number(x.PistonMM2*float64(x.TravelMM)/unit.MM3PerML), x.SpacersMax, number(x.VolumeML-float64(x.SpacersMax)*x.SpacerML))
		case (x.NegativeMM2 > 0) != (x.NegativeML > 0):
			c.bad(x.Pos, "negative_volume_ml", "negative_chamber", "a negative chamber has an area and a volume; one of the two is missing")
		case x.NegativeMM2 > x.PistonMM2:
			c.warn(x.Pos, "negative_area_mm2", "negative_chamber", "the negative area is larger than the piston; compare with the drawing")
		}
	}
}

// bumpStops checks the compression ratio over the longest stroke of the cartridges that hold
// the bump stop. Those that are built have 2 to 4; above 8 it is a slip of the pen.
func bumpStops(c *checking) {
	stroke := map[string]float64{}
	for i := range c.t.CoilCartridges {
		x := &c.t.CoilCartridges[i]
		if b := c.r.bumpStops[x.BumpStop]; b != nil && c.sound(x.Pos, b.Pos) {
			contact := b.ContactMM
			if b.ContactShare > 0 {
				contact = b.ContactShare * float64(x.TravelMM)
			}
			stroke[b.SKU] = max(stroke[b.SKU], float64(x.TravelMM)-contact)
		}
	}
	points := gather(c.t.BumperPoints, func(x *BumperPoint) string { return x.BumpStop })
	for i := range c.t.BumpStops {
		x := &c.t.BumpStops[i]
		if !c.sound(x.Pos) {
			continue
		}
		switch {
		case (x.ContactShare > 0) == (x.ContactMM > 0):
			c.bad(x.Pos, "contact_share", "contact", "say where the bump stop begins to work, either as a share of travel or in mm")
		case x.Medium == "elastomer" && len(points[x.SKU]) < 2:
			c.bad(x.Pos, "sku", "no_table", "%s is an elastomer; add its deflections and forces to bumper_points", x.SKU)
		case x.Medium == "air" && len(points[x.SKU]) > 0:
			c.bad(x.Pos, "medium", "table_of_air", "%s works with air, and there is a table of an elastomer for it; correct one of the two", x.SKU)
		case x.Medium == "air":
			c.airBumpStop(x, stroke[x.SKU])
		}
	}
}

func (c *checking) airBumpStop(x *BumpStop, strokeMM float64) {
	swept := math.Pi / 4 * x.BoreMM * x.BoreMM * strokeMM / unit.MM3PerML
	switch ratio := x.VolumeML / (x.VolumeML - swept); {
	case x.BoreMM <= 0 || x.VolumeML <= 0:
		c.bad(x.Pos, "volume_ml", "required", "an air bump stop has a bore and a volume")
	case x.BoreMM >= x.BodyMM:
		c.bad(x.Pos, "bore_mm", "bore_over_body", "the bore of %s mm does not go into a body of %s mm", number(x.BoreMM), number(x.BodyMM))
	case swept >= x.VolumeML:
		c.bad(x.Pos, "volume_ml", "chamber_too_small", "over %s mm of stroke %s mL are swept, and the chamber holds %s mL", number(strokeMM), number(swept), number(x.VolumeML))
	case ratio > 8:
		c.bad(x.Pos, "volume_ml", "compression_ratio", "over %s mm of stroke the air is compressed %s to 1; above 8 nothing is built: correct volume, bore or contact", number(strokeMM), number(ratio))
	case ratio > 6 || x.RatioMax > 0 && ratio > x.RatioMax:
		c.warn(x.Pos, "volume_ml", "compression_ratio", "over %s mm of stroke the air is compressed %s to 1; compare with the part's own limit", number(strokeMM), number(ratio))
	}
}

func bumperTables(c *checking) {
	for _, rows := range inOrder(c.t.BumperPoints, func(x *BumperPoint) string { return x.BumpStop }, func(a, b *BumperPoint) int { return cmp.Compare(a.DeflectionMM, b.DeflectionMM) }) {
		for i := 1; i < len(rows); i++ {
			if c.sound(rows[i-1].Pos, rows[i].Pos) && rows[i].ForceN <= rows[i-1].ForceN {
				c.bad(rows[i].Pos, "force_n", "not_rising", "the force rises with the deflection; %s N at %s mm follows %s N", number(rows[i].ForceN), number(rows[i].DeflectionMM), number(rows[i-1].ForceN))
				break
			}
		}
	}
}

// inOrder groups rows and orders each group.
func inOrder[T any, K comparable](rows []T, key func(*T) K, less func(a, b *T) int) [][]*T {
	var out [][]*T
	at := map[K]int{}
	for i := range rows {
		k := key(&rows[i])
		n, ok := at[k]
		if !ok {
			n = len(out)
			at[k], out = n, append(out, nil)
		}
		out[n] = append(out[n], &rows[i])
	}
	for _, g := range out {
		slices.SortStableFunc(g, less)
	}
	return out
}

func clickTables(c *checking) {
	key := func(x *ClickRow) [3]string { return [3]string{x.Family, x.Damper, x.Adjuster} }
	for _, rows := range inOrder(c.t.ClickRows, key, func(a, b *ClickRow) int { return cmp.Compare(a.RateNPerMM(), b.RateNPerMM()) }) {
		knob := c.r.adjusters[[2]string{rows[0].Damper, rows[0].Adjuster}]
		direction := 0
		for i, x := range rows {
			if !c.sound(x.Pos) {
				break
			}
			if knob == nil {
				c.bad(x.Pos, "adjuster", "unknown_adjuster", "damper %s has no adjuster %q; correct it or add it to adjusters", x.Damper, x.Adjuster)
				break
			}
			if c.sound(knob.Pos) && x.Clicks > knob.Clicks {
				c.bad(x.Pos, "clicks", "off_the_knob", "%d clicks are more than the %d of this adjuster", x.Clicks, knob.Clicks)
				break
			}
			if i == 0 {
				continue
			}
			step := cmp.Compare(x.Clicks, rows[i-1].Clicks)
			if step != 0 && direction != 0 && step != direction {
				c.bad(x.Pos, "clicks", "not_monotone", "with the rate, clicks either rise or fall; %d follows %d against the rows before", x.Clicks, rows[i-1].Clicks)
				break
			}
			direction = cmp.Or(step, direction)
		}
	}
}

func massCharts(c *checking) {
	type chart struct {
		family string
		travel int
	}
	for _, rows := range inOrder(c.t.MassRows, func(x *MassRow) chart { return chart{x.Family, x.TravelMM} }, func(a, b *MassRow) int { return cmp.Compare(a.MassFromKG, b.MassFromKG) }) {
		for i, x := range rows {
			if !c.sound(x.Pos) {
				break
			}
			if x.MassFromKG >= x.MassToKG {
				c.bad(x.Pos, "mass_to_kg", "from_after_to", "%s kg is not above %s kg; exchange or correct them", number(x.MassToKG), number(x.MassFromKG))
				break
			}
			if !slices.ContainsFunc(c.r.families[x.Family], func(s *Spring) bool { return !c.sound(s.Pos) }) &&
				!slices.ContainsFunc(c.r.families[x.Family], func(s *Spring) bool { return math.Abs(s.RateNPerMM()/x.RateNPerMM()-1) < 0.005 }) {
				c.bad(x.Pos, "rate", "unknown_rate", "family %s has no spring of %s %s; correct it", x.Family, number(x.Rate), x.RateUnit)
				break
			}
			if i > 0 && x.MassFromKG < rows[i-1].MassToKG {
				c.bad(x.Pos, "mass_from_kg", "overlap", "the row from %s kg begins before the one from %s kg ends; let each mass have one row", number(x.MassFromKG), number(rows[i-1].MassFromKG))
				break
			}
			if i > 0 && x.RateNPerMM() < rows[i-1].RateNPerMM() {
				c.bad(x.Pos, "rate", "not_rising", "a heavier rider gets no softer spring; %s follows %s", number(x.Rate), number(rows[i-1].Rate))
				break
			}
		}
	}
}
