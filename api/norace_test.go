//go:build !race

package api_test

const poolsKeep = 1
