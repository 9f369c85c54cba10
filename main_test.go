package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"
)

// env is an environment with nothing but what is given.
func env(given map[string]string) func(string) string {
	return func(name string) string { return given[name] }
}

func TestDemoWalksTheCaseThroughItsOwnAPI(t *testing.T) {
	var out, errOut bytes.Buffer
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	if code := run(ctx, []string{"demo", "--once", "--json"}, env(map[string]string{"FORKWRIGHT_DEMO_KEY": "a-key-that-a-script-chose"}), &out, &errOut); code != 0 {
		t.Fatalf("exit %d\n%s", code, errOut.String())
	}
	var steps struct {
		Forks struct {
			Answer struct {
				Sure  bool
				Forks []struct {
					ForkID string `json:"fork_id"`
				}
			}
		}
		WhatFits struct {
			Answer struct{ Parts []struct{ Verdict string } }
		} `json:"what_fits"`
		NearMiss struct {
			Answer struct {
				Lines []struct{ Result struct{ Verdict string } }
			}
		} `json:"near_miss"`
		Setup struct {
			Answer struct {
				Recommended struct {
					Sag struct{ Percent float64 }
				}
			}
		}
		Bill struct {
			Answer struct{ Lines []struct{ Role string } }
		}
		Quote struct {
			Number, State string
			Totals        struct{ Due string }
		}
	}
	if err := json.Unmarshal(out.Bytes(), &steps); err != nil {
		t.Fatalf("%v in %.300s", err, out.String())
	}
	if f := steps.Forks.Answer; !f.Sure || f.Forks[0].ForkID != "skarnfeld-hollin-36-expert-2021" {
		t.Errorf("the fork: %+v", f)
	}
	verdicts := map[string]bool{}
	for _, p := range steps.WhatFits.Answer.Parts {
		verdicts[p.Verdict] = true
	}
	if !verdicts["fits"] || !verdicts["fits_with"] {
		t.Errorf("verdicts of the list: %v", verdicts)
	}
	if v := steps.NearMiss.Answer.Lines[0].Result.Verdict; v != "does_not_fit" {
		t.Errorf("the near miss: %s", v)
	}
	if sag := steps.Setup.Answer.Recommended.Sag.Percent; sag < 17 || sag > 23 {
		t.Errorf("sag %v %%, asked for 20", sag)
	}
	roles := map[string]bool{}
	for _, l := range steps.Bill.Answer.Lines {
		roles[l.Role] = true
	}
	for _, role := range []string{"new", "included", "reuse", "set_aside", "never_reuse", "consumable", "tool", "customer_supplied"} {
		if !roles[role] {
			t.Errorf("no line of the bill is %s", role)
		}
	}
	if q := steps.Quote; q.State != "issued" || !strings.HasSuffix(q.Number, "-00001") || q.Totals.Due == "" {
		t.Errorf("the quote: %+v", q)
	}
}

func TestAWrongValueStopsTheStart(t *testing.T) {
	var out, errOut bytes.Buffer
	code := run(t.Context(), []string{"serve"}, env(map[string]string{"FORKWRIGHT_POOL_SIZE": "many"}), &out, &errOut)
	if want := `FORKWRIGHT_POOL_SIZE is "many"; allowed: a whole number from 2 to 500`; code != 1 || !strings.Contains(errOut.String(), want) {
		t.Errorf("exit %d, %s", code, errOut.String())
	}
}

func TestExitCodesOfTheCommandLine(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{nil, 0, "Commands:"},
		{[]string{"help"}, 0, "FORKWRIGHT_LISTEN"},
		{[]string{"bake"}, 2, `no command "bake"`},
		{[]string{"serve", "now"}, 2, "serve takes no arguments"},
		{[]string{"serve"}, 1, "FORKWRIGHT_SIGNING_KEY is not set"},
		{[]string{"key", "create"}, 1, "DATABASE_URL is not set"},
		{[]string{"key", "revoke"}, 2, "key revoke wants 1 argument(s) (KEY-ID), got 0"},
		{[]string{"migrate"}, 1, "FORKWRIGHT_OWNER_URL is not set"},
		{[]string{"catalog", "check", "testdata/catalog"}, 0, "sound: "},
		{[]string{"catalog", "check", "no-such-folder"}, 1, "no such file"},
		{[]string{"catalog", "activate", "zero"}, 2, `"zero" is not a revision number`},
		{[]string{"health"}, 1, "not healthy"},
	} {
		var out, errOut bytes.Buffer
		code := run(t.Context(), c.args, env(map[string]string{"FORKWRIGHT_LISTEN": "127.0.0.1:1"}), &out, &errOut)
		if code != c.code || !strings.Contains(out.String()+errOut.String(), c.says) {
			t.Errorf("%v: exit %d, want %d\n%s%s", c.args, code, c.code, out.String(), errOut.String())
		}
	}
}

func TestACatalogWithMistakesNamesThemAll(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("testdata/catalog")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(dir+"/makers.csv", []byte("maker,name\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	var out, errOut bytes.Buffer
	if code := run(t.Context(), []string{"catalog", "check", dir}, env(nil), &out, &errOut); code != 1 {
		t.Errorf("exit %d", code)
	}
	if n := strings.Count(out.String(), "\n"); n < 12 || !strings.Contains(out.String(), "chassis.csv:") {
		t.Errorf("%d lines:\n%s", n, out.String())
	}
}
