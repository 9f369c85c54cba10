//go:build race

package api_test

// poolsKeep: the race detector makes pools forget at random, and what they would have kept is
// allocated anew.
const poolsKeep = 1.25
