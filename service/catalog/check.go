package catalog

// Check finds every problem of a catalog at once, sorted by file and line. A catalog with no
// error among them may become a revision. Like Build it sorts the fitment rows in place.
func Check(t *Tables) []Problem {
	c := newChecking(t)
	for _, k := range checks() {
		k.find(c)
	}
	return c.problems.Sorted()
}

// check is one thing that is looked for.
type check struct {
	says string
	find func(*checking)
}

// checks lists what is looked for. The first ones look at cells and keys; the later ones
// compare rows and leave out rows in which an earlier one found an error, so that one mistake
// is told once.
func checks() []check {
	return []check{
		{"there is something to sell and something to fit it to", notEmpty},
		{"words of a closed set are of that set", words},
		{"what is required is there", required},
		{"codes can be told from what stands around them", codes},
		{"numbers are plausible; inches and misplaced points are named", ranges},
		{"no two rows have the same key", keys},
		{"what a row names exists", references},
		{"dates are dates, and from does not come after to", spans},
		{"published figures have a unit of their kind and a plausible size", figures},
		{"a torque is within what its fastener takes", torques},
		{"trade item numbers have their check digit; two parts with one number are told", gtins},
		{"kinds of parts are known, and each part has the details of its kind", kinds},
		{"parts named for a purpose are of the kind for it", purposes},
		{"supersession ends", supersession},
		{"kits contain neither themselves nor an undecided choice", contents},
		{"parts do not both need and exclude each other", partRules},
		{"tubes have walls, and seats are wider than the tube", tubes},
		{"forks were built within their years, limits and chassis", forks},
		{"facts that decide have a question, and values that are used exist", facts},
		{"names exist in English and belong to something", names},
		{"spring geometry is possible and agrees with the rate", springs},
		{"preload settings follow each other and shorten the cavity", preloads},
		{"no spring rattles", rattles},
		{"no coil binds", binds},
		{"coils clear bore, shaft and bump stop", clearances},
		{"air chambers hold what is swept into them", airChambers},
		{"bump stops are buildable", bumpStops},
		{"tables of elastomers only rise", bumperTables},
		{"click tables go one way and stay on the knob", clickTables},
		{"mass charts follow each other and name rates that exist", massCharts},
		{"what fitting does is said of things that exist", handlings},
		{"a need says when, what and how much", needs},
		{"prices are amounts, lists are complete", prices},
		{"fitment rows name parts and forks that exist", fitmentNames},
		{"fitment rows have windows that can hold", fitmentWindows},
		{"conditions of a row agree with its verdict", fitmentConditions},
		{"no row contradicts a measured interface", fitmentInterfaces},
		{"no row allows what a hard limit forbids", fitmentLimits},
		{"rows of one part for one target do not contradict or repeat each other", fitmentOverlaps},
		{"a required part fits the same fork", requiredFits},
	}
}
