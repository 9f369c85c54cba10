package catalog

// Check finds every problem of a catalog at once, sorted by file and line. A catalog with no
// error among them may become a revision.
func Check(t *Tables) []Problem {
	c := newChecking(t)
	for _, k := range checks() {
		k.find(c)
	}
	return c.problems.Sorted()
}

// check is one thing that is looked for.
type check struct {
	name string
	find func(*checking)
}

// checks lists what is looked for, in the order in which a keeper would mend it.
func checks() []check {
	return []check{
		{"the words of a closed set are of that set", words},
		{"what is required is there", required},
		{"numbers are plausible; inches and misplaced points are named", ranges},
		{"no two rows have the same key", keys},
		{"what a row names exists", references},
	}
}
