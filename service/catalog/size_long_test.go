//go:build long

package catalog_test

import "testing"

func BenchmarkBuildMillion(b *testing.B)  { benchmarkBuild(b, 1_000_000) }
func BenchmarkCheckMillion(b *testing.B)  { benchmarkCheck(b, 1_000_000) }
func BenchmarkDecodeMillion(b *testing.B) { benchmarkDecode(b, 1_000_000) }
func BenchmarkEncodeMillion(b *testing.B) { benchmarkEncode(b, 1_000_000) }
