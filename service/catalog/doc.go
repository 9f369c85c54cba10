// Package catalog is what Forkwright knows: forks, the parts that go into them,
// which part fits which fork, and list prices.
//
// The types here are the rows of the catalog's tables, and their tags are the format: col
// names the column ("key" where it, alone or with the other keys of the row, is the row's
// identity, "required" where it may not be empty), one is a closed set of words, ref the
// table whose key a cell names, in the range in which a number is plausible. The range is
// wide on purpose: it is there to catch inches, digits too many and a wrong column, not to
// judge a design.
//
// Tables holds a catalog as it was read; Build checks nothing and turns checked
// Tables into one immutable Revision with its indexes; Check finds every problem
// of a set of tables at once.
//
// Units are in the column names. A number that somebody published in a unit of
// their own (a torque, a rate, a pressure) keeps that value and that unit; see
// Published.
package catalog
