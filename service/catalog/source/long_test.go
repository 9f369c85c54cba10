//go:build long

package source_test

import (
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
	"forkwright/service/catalog/source"
)

// folderOfAMillion names the folder in the process that measures: it does nothing else, so
// that the peak of its memory is the peak of loading.
const folderOfAMillion = "FORKWRIGHT_TEST_MILLION"

// TestLongAMillionRowsLoadInTime: read, checked, encoded and built in 10 s and 600 MB.
func TestLongAMillionRowsLoadInTime(t *testing.T) {
	dir := t.TempDir()
	if err := catalogtest.WriteFolder(dir, catalogtest.Generate(1_000_000, 1)); err != nil {
		t.Fatal(err)
	}
	measure := exec.Command(os.Args[0], "-test.run", "^TestLongLoadingInAProcessOfItsOwn$", "-test.v")
	measure.Env = append(os.Environ(), folderOfAMillion+"="+dir)
	out, err := measure.CombinedOutput()
	t.Logf("%s", out)
	if err != nil {
		t.Fatal(err)
	}
}

func TestLongLoadingInAProcessOfItsOwn(t *testing.T) {
	dir := os.Getenv(folderOfAMillion)
	if dir == "" {
		t.Log("only started by TestLongAMillionRowsLoadInTime")
		return
	}
	step := time.Now()
	lap := func(what string) time.Duration {
		d := time.Since(step)
		t.Logf("%-16s %8v, peak of memory so far %d MB", what, d.Round(time.Millisecond), peakMB(t))
		step = time.Now()
		return d
	}
	tables, problems := source.Load(os.DirFS(dir))
	if len(problems) > 0 {
		t.Fatal(problems[0])
	}
	load := lap("read and check")
	fitment, prices := catalog.EncodeFitment(tables), catalog.EncodePrices(tables)
	load += lap("encode")
	r := catalog.Build(tables, 1)
	load += lap("build")
	t.Logf("%d rows, %d forks, %d parts; %d bytes of fitment, %d of prices", len(tables.Fitments), len(r.Forks()), len(r.Parts()), len(fitment), len(prices))
	if load > 10*time.Second {
		t.Errorf("loading took %v", load)
	}
	if peak := peakMB(t); peak > 600 {
		t.Errorf("loading took %d MB", peak)
	}
	again, err := catalog.Decode(fitment, prices)
	if err != nil {
		t.Fatal(err)
	}
	catalog.Build(again, 2)
	if d := lap("decode and build"); d > 3*time.Second {
		t.Errorf("decoding and building took %v", d)
	}
	runtime.KeepAlive(r) // the revision before stays while the next one comes
}

// peakMB is the largest resident size of this process so far.
func peakMB(t *testing.T) int {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatalf("the peak of memory is read from Linux's /proc: %v", err)
	}
	for _, line := range strings.Split(string(status), "\n") {
		if rest, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			kb, err := strconv.Atoi(strings.TrimSpace(strings.TrimSuffix(rest, "kB")))
			if err != nil {
				t.Fatal(err)
			}
			return kb / 1024
		}
	}
	t.Fatal("no VmHWM")
	return 0
}
