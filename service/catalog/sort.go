package catalog

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"forkwright/service/unit"
)

// sortTables puts every table into the order of its keys, so that a revision does not depend
// on the order in which somebody wrote the rows.
func sortTables(t *Tables) {
	by(t.Makers, func(a, b *Maker) int { return strings.Compare(a.Code, b.Code) })
	by(t.Chassis, func(a, b *Chassis) int { return strings.Compare(a.Code, b.Code) })
	by(t.Seats, func(a, b *Seat) int { return texts(a.Chassis, b.Chassis, a.Generation, b.Generation) })
	by(t.Dampers, func(a, b *Damper) int { return strings.Compare(a.Code, b.Code) })
	by(t.Adjusters, func(a, b *Adjuster) int { return texts(a.Damper, b.Damper, a.Adjuster, b.Adjuster) })
	by(t.Forks, func(a, b *Fork) int { return strings.Compare(a.ID, b.ID) })
	by(t.ForkOptions, func(a, b *ForkOption) int {
		return cmp.Or(texts(a.Fork, b.Fork, a.Fact, b.Fact), cmp.Compare(a.YearFrom, b.YearFrom),
			texts(a.DateFrom, b.DateFrom, a.SerialFrom, b.SerialFrom, a.Value, b.Value))
	})
	by(t.Limits, func(a, b *Limit) int { return texts(a.Fork, b.Fork, a.WheelSize, b.WheelSize, a.Use, b.Use) })
	by(t.Marks, func(a, b *Mark) int { return texts(a.Fork, b.Fork, a.Mark, b.Mark) })
	by(t.Figures, func(a, b *Figure) int {
		return texts(a.OwnerKind, b.OwnerKind, a.Owner, b.Owner, a.Figure, b.Figure, a.Place, b.Place, string(a.Leg), string(b.Leg))
	})
	by(t.Parts, func(a, b *Part) int { return strings.Compare(a.SKU, b.SKU) })
	by(t.Texts, func(a, b *Text) int { return texts(a.Of, b.Of, a.Code, b.Code, a.Lang, b.Lang) })
	by(t.Contents, func(a, b *Content) int { return texts(a.Kit, b.Kit, a.Slot, b.Slot, a.Part, b.Part) })
	by(t.CoilCartridges, func(a, b *CoilCartridge) int { return strings.Compare(a.SKU, b.SKU) })
	by(t.Preloads, func(a, b *Preload) int {
		return cmp.Or(strings.Compare(a.Cartridge, b.Cartridge), cmp.Compare(a.Setting, b.Setting))
	})
	by(t.Handlings, func(a, b *Handling) int { return texts(a.Cartridge, b.Cartridge, a.Action, b.Action, a.Item, b.Item) })
	by(t.Springs, func(a, b *Spring) int { return strings.Compare(a.SKU, b.SKU) })
	by(t.AirCartridges, func(a, b *AirCartridge) int { return strings.Compare(a.SKU, b.SKU) })
	by(t.BumpStops, func(a, b *BumpStop) int { return strings.Compare(a.SKU, b.SKU) })
	by(t.BumperPoints, func(a, b *BumperPoint) int {
		return cmp.Or(strings.Compare(a.BumpStop, b.BumpStop), cmp.Compare(a.DeflectionMM, b.DeflectionMM))
	})
	by(t.SealKits, func(a, b *SealKit) int { return strings.Compare(a.SKU, b.SKU) })
	by(t.Fluids, func(a, b *Fluid) int { return strings.Compare(a.SKU, b.SKU) })
	by(t.ClickRows, func(a, b *ClickRow) int {
		return cmp.Or(texts(a.Family, b.Family, a.Damper, b.Damper, a.Adjuster, b.Adjuster), cmp.Compare(a.RateNPerMM(), b.RateNPerMM()))
	})
	by(t.MassRows, func(a, b *MassRow) int {
		return cmp.Or(strings.Compare(a.Family, b.Family), cmp.Compare(a.TravelMM, b.TravelMM), cmp.Compare(a.MassFromKG, b.MassFromKG))
	})
	by(t.Openings, func(a, b *Opening) int { return strings.Compare(a.Opening, b.Opening) })
	by(t.Operations, func(a, b *Operation) int { return strings.Compare(a.Operation, b.Operation) })
	by(t.Jobs, func(a, b *Job) int { return strings.Compare(a.Job, b.Job) })
	by(t.Needs, func(a, b *Need) int {
		return texts(a.TargetKind, b.TargetKind, a.Target, b.Target, a.Opening, b.Opening, a.Operation, b.Operation,
			string(a.Leg), string(b.Leg), a.Part, b.Part, a.Kind, b.Kind)
	})
	by(t.PartRules, func(a, b *PartRule) int { return texts(a.Part, b.Part, a.Rule, b.Rule, a.Other, b.Other) })
	sortFitments(t.Fitments)
	by(t.PriceLists, func(a, b *PriceList) int { return strings.Compare(a.List, b.List) })
	by(t.Prices, func(a, b *Price) int {
		return cmp.Or(texts(a.List, b.List, a.SKU, b.SKU), cmp.Compare(a.MinQuantity, b.MinQuantity))
	})
}

// FactTexts keep the order of their table: it is the order in which choices are offered.

// by sorts rows in place, unless they are in order already. It sorts row numbers and moves each row
// once: rows are large, and handing pointers to copies of them would allocate at every comparison.
func by[T any](rows []T, less func(a, b *T) int) {
	inOrder := true
	for i := 1; i < len(rows) && inOrder; i++ {
		inOrder = less(&rows[i-1], &rows[i]) <= 0
	}
	if inOrder {
		return
	}
	order := make([]int32, len(rows))
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(a, b int32) int { return cmp.Or(less(&rows[a], &rows[b]), cmp.Compare(a, b)) })
	arrange(rows, order)
}

// arrange moves row order[i] to place i, for every i, along the cycles of the permutation. It uses order up.
func arrange[T any](rows []T, order []int32) {
	for start := range order {
		if order[start] < 0 {
			continue
		}
		held := rows[start]
		at := start
		for {
			from := int(order[at])
			order[at] = -1
			if from == start {
				rows[at] = held
				break
			}
			rows[at] = rows[from]
			at = from
		}
	}
}

// sortFitments puts fitment rows into the order of compareFitments. Part, level and target
// become one number by their rank, so that a million rows compare by number and seldom by id.
func sortFitments(rows []Fitment) {
	inOrder := true
	for i := 1; i < len(rows) && inOrder; i++ {
		inOrder = compareFitments(&rows[i-1], &rows[i]) <= 0
	}
	if inOrder {
		return
	}
	parts := ranks(rows, func(f *Fitment) string { return f.Part })
	targets := ranks(rows, func(f *Fitment) string { return f.Target })
	type keyed struct {
		key uint64
		row int32
	}
	sorted := make([]keyed, len(rows))
	for i := range rows {
		sorted[i] = keyed{uint64(parts[rows[i].Part])<<40 | uint64(rows[i].Level)<<32 | uint64(targets[rows[i].Target]), int32(i)}
	}
	slices.SortFunc(sorted, func(a, b keyed) int {
		if a.key != b.key {
			return cmp.Compare(a.key, b.key)
		}
		return cmp.Or(strings.Compare(rows[a.row].ID, rows[b.row].ID), cmp.Compare(a.row, b.row))
	})
	order := make([]int32, len(rows))
	for i := range sorted {
		order[i] = sorted[i].row
	}
	arrange(rows, order)
}

// ranks numbers the distinct texts of rows in their order. There are less than 2^24 parts.
func ranks(rows []Fitment, text func(*Fitment) string) map[string]uint32 {
	seen := map[string]uint32{}
	for i := range rows {
		seen[text(&rows[i])] = 0
	}
	for n, s := range slices.Sorted(maps.Keys(seen)) {
		seen[s] = uint32(n)
	}
	return seen
}

// texts compares pairs of texts, the first difference deciding.
func texts(pairs ...string) int {
	for i := 0; i+1 < len(pairs); i += 2 {
		if c := strings.Compare(pairs[i], pairs[i+1]); c != 0 {
			return c
		}
	}
	return 0
}

// RateNPerMM is the spring's published rate in N/mm; 0 where its unit is not one of a rate.
func (s *Spring) RateNPerMM() float64 { return rate(s.Rate, s.RateUnit) }

// RateNPerMM is the rate of the row in N/mm.
func (c *ClickRow) RateNPerMM() float64 { return rate(c.Rate, c.RateUnit) }

// RateNPerMM is the rate of the row in N/mm.
func (m *MassRow) RateNPerMM() float64 { return rate(m.Rate, m.RateUnit) }

func rate(value float64, u string) float64 {
	v, err := Published{Value: value, Unit: u}.SI(unit.Rate)
	if err != nil {
		return 0
	}
	return v
}
