package download_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"forkwright/db/local/download"
)

// archive is what the repository serves: a packed tar of programs inside a zip.
// The programs here only fail, as initdb has to at the encoding it is given.
func archive(t *testing.T, names ...string) []byte {
	t.Helper()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "bin"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if err := os.WriteFile(filepath.Join(dir, "bin", name), []byte("#!/bin/sh\nexit 1\n"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	packed, err := exec.Command("tar", "-cJ", "-C", dir, "bin").Output()
	if err != nil {
		t.Fatalf("packing needs tar and xz: %v", err)
	}
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	f, err := z.Create("postgres.txz")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(packed); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func repository(t *testing.T, jar []byte) (url string, downloads *atomic.Int64) {
	t.Helper()
	downloads = &atomic.Int64{}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, ".sha256") {
			sum := sha256.Sum256(jar)
			_, _ = w.Write([]byte(hex.EncodeToString(sum[:])))
			return
		}
		downloads.Add(1)
		_, _ = w.Write(jar)
	}))
	t.Cleanup(s.Close)
	return s.URL, downloads
}

func TestProgramsAreFetchedOnceAndNothingIsStarted(t *testing.T) {
	cache := t.TempDir()
	url, downloads := repository(t, archive(t, "initdb", "postgres", "pg_ctl"))
	for range 2 {
		bin, err := download.Binaries(cache, url)(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"initdb", "postgres"} {
			if st, err := os.Stat(filepath.Join(bin, name)); err != nil || st.Mode().Perm()&0o111 == 0 {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	if n := downloads.Load(); n != 1 {
		t.Errorf("%d downloads", n)
	}
	if _, err := os.Stat(filepath.Join(cache, "scratch")); !os.IsNotExist(err) {
		t.Errorf("scratch folder: %v", err)
	}
}

func TestAFailedDownloadSaysWhatToDo(t *testing.T) {
	url, _ := repository(t, archive(t, "pg_ctl")) // not what was hoped for
	bin, err := download.Binaries(t.TempDir(), url)(t.Context())
	if err == nil || bin != "" || !strings.Contains(err.Error(), "install the package postgresql") {
		t.Errorf("%q, %v", bin, err)
	}
}
