package main

import (
	"os/exec"
	"strings"
	"testing"
)

// layers is the one ordered list: a package may import only packages of the lines above its
// own, and of its own line only where the line says so. Longest prefix decides.
var layers = [][]string{
	{"service/fault", "service/unit", "service/zone", "service/money", "service/caller", "service/seal", "service/fastener"},
	{"service/spring", "service/fluid"},
	{"service/catalog"},
	{"service/fitment", "service/stock", "service/notice"},
	{"service/search", "service/setup", "service/job", "service/quote"},
	{"service"},
	{"api", "db"},
	{"deploy"},
	{""}, // main
}

// outside names, for each outside module that is kept to a few rooms, who may import it.
var outside = map[string][]string{
	"github.com/labstack/echo/v4":                 {"api", "deploy/bench"},
	"github.com/getkin/kin-openapi":               {"api", "api/contracttest"},
	"github.com/jackc/pgx/v5":                     {"db", "deploy"},
	"github.com/testcontainers/testcontainers-go": {"db/dbtest"},
	"github.com/xuri/excelize":                    {"service/catalog/source"},
	"github.com/a-h/templ":                        {"api/page"},
	"net/http":                                    {"api", "deploy", ""},
	"database/sql":                                {"db"},
}

const module = "forkwright"

func TestImportsPointUp(t *testing.T) {
	for _, line := range goList(t, "{{.ImportPath}}|{{join .Imports \",\"}}") {
		pkg, imports, _ := strings.Cut(line, "|")
		for dep := range strings.SplitSeq(imports, ",") {
			if !own(dep) {
				checkOutside(t, room(pkg), dep)
				continue
			}
			from, to := layer(room(pkg)), layer(room(dep))
			switch {
			case from < 0:
				t.Fatalf("%s is in no layer of imports_test.go", pkg)
			case to < 0:
				t.Fatalf("%s is in no layer of imports_test.go", dep)
			case to > from:
				t.Errorf("%s imports %s, which stands below it", pkg, dep)
			case top(room(pkg)) == "api" && top(room(dep)) == "db", top(room(pkg)) == "db" && top(room(dep)) == "api":
				t.Errorf("%s imports %s: api and db never see each other", pkg, dep)
			}
		}
	}
}

// TestServiceIsPure looks at everything that service reaches, not only at what it names.
func TestServiceIsPure(t *testing.T) {
	for _, line := range goList(t, "{{.ImportPath}}|{{join .Deps \",\"}}") {
		pkg, deps, _ := strings.Cut(line, "|")
		if top(room(pkg)) != "service" {
			continue
		}
		for dep := range strings.SplitSeq(deps, ",") {
			for _, banned := range []string{"github.com/labstack/echo", "github.com/jackc/pgx", "github.com/getkin/kin-openapi", "net/http"} {
				// excelize reaches net/http for pictures by address, which is never asked of it
				if strings.HasPrefix(dep, banned) && (banned != "net/http" || dep == banned && room(pkg) != "service/catalog/source") {
					t.Errorf("%s reaches %s", pkg, dep)
				}
			}
		}
	}
}

func TestShippedBinaryHasNoContainerClient(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", ".").Output()
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(out), "testcontainers") {
		t.Error("the binary links testcontainers")
	}
}

func checkOutside(t *testing.T, room, dep string) {
	t.Helper()
	for prefix, rooms := range outside {
		if dep != prefix && !strings.HasPrefix(dep, prefix+"/") {
			continue
		}
		if !anyRoom(rooms, room) {
			t.Errorf("%q imports %s, which only %v may", room, dep, rooms)
		}
	}
}

func anyRoom(rooms []string, room string) bool {
	for _, r := range rooms {
		if room == r || r != "" && strings.HasPrefix(room, r+"/") {
			return true
		}
	}
	return false
}

func goList(t *testing.T, format string) []string {
	t.Helper()
	out, err := exec.Command("go", "list", "-f", format, "./...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}

func own(pkg string) bool { return pkg == module || strings.HasPrefix(pkg, module+"/") }

func room(pkg string) string { return strings.TrimPrefix(strings.TrimPrefix(pkg, module), "/") }

func top(room string) string { first, _, _ := strings.Cut(room, "/"); return first }

// layer is the index of the line that names the longest prefix of a room, -1 for none.
func layer(room string) int {
	best, at := -1, -1
	for i, line := range layers {
		for _, name := range line {
			if (room == name || name == "" && room == "" || name != "" && strings.HasPrefix(room, name+"/")) && len(name) > best {
				best, at = len(name), i
			}
		}
	}
	return at
}
