package source

import (
	"strings"
	"testing"
	"testing/fstest"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
)

func folder(files map[string]string) fstest.MapFS {
	fsys := fstest.MapFS{}
	for name, text := range files {
		fsys[name] = &fstest.MapFile{Data: []byte(text)}
	}
	return fsys
}

func TestASpreadsheetsExportWorksAsItComes(t *testing.T) {
	want := []catalog.Maker{
		{Pos: catalog.Pos{File: "makers.csv", Line: 2}, Code: "alder", Name: "Alder, Forks", Aliases: []string{"ald", "older"}},
		{Pos: catalog.Pos{File: "makers.csv", Line: 3}, Code: "birch", Name: "Birch \"B\"\nCycles"},
		{Pos: catalog.Pos{File: "makers.csv", Line: 5}, Code: "cedar", Name: `Cedar 26"`},
	}
	comma := "maker,name,aliases\nalder,\"Alder, Forks\",ald; older\nbirch,\"Birch \"\"B\"\"\nCycles\",\ncedar,Cedar 26\",\n"
	for name, text := range map[string]string{
		"comma":               comma,
		"byte order mark":     byteOrder + comma,
		"empty cells at ends": strings.ReplaceAll(comma, "aliases\n", "aliases,,\n") + ",,,\n,,,\n",
		"no last line break":  strings.TrimSuffix(comma, "\n"),
		"semicolon":           "maker;name;aliases\nalder;Alder, Forks;\"ald; older\"\nbirch;\"Birch \"\"B\"\"\nCycles\";\ncedar;Cedar 26\";\n",
		"tab":                 "maker\tname\taliases\nalder\tAlder, Forks\tald; older\nbirch\t\"Birch \"\"B\"\"\nCycles\"\t\ncedar\tCedar 26\"\t\n",
		"other column order":  "aliases,name,maker\nald; older,\"Alder, Forks\",alder\n,\"Birch \"\"B\"\"\nCycles\",birch\n,Cedar 26\",cedar\n",
		"spaces around cells": "maker , Name,aliases\n alder ,\"Alder, Forks\",ald; older\nbirch,\"Birch \"\"B\"\"\nCycles\",\u00a0\ncedar,Cedar 26\",\n",
	} {
		t.Run(name, func(t *testing.T) {
			for _, breaks := range []string{"\n", "\r\n"} {
				written := strings.ReplaceAll(text, "aliases\n", "aliases"+breaks)
				if breaks == "\r\n" { // the break inside the quotes stays as it was typed
					written = strings.ReplaceAll(strings.ReplaceAll(text, "\n", "\r\n"), "\r\nCycles", "\nCycles")
				}
				got, problems := Read(folder(map[string]string{"makers.csv": written}))
				if len(problems) > 0 {
					t.Fatal(problems)
				}
				if d := cmp.Diff(want, got.Makers); d != "" {
					t.Error(d)
				}
			}
		})
	}
}

func TestCellsMayFallAnywhereInTheBuffer(t *testing.T) {
	text := "a,b\n\"x\"\"y\",\"1\n2\"\r\nplain,\"end\""
	s := &scanner{r: iotest.OneByteReader(strings.NewReader(text)), buf: make([]byte, 0, 4)}
	s.separator = ','
	var got [][]string
	for s.next() {
		var row []string
		for _, c := range s.cells {
			row = append(row, string(c))
		}
		got = append(got, row)
	}
	if s.err != nil {
		t.Fatal(s.err)
	}
	if d := cmp.Diff([][]string{{"a", "b"}, {`x"y`, "1\n2"}, {"plain", "end"}}, got); d != "" {
		t.Error(d)
	}
}

func TestWhatIsWrongWithAFileIsNamedByPlace(t *testing.T) {
	tests := map[string]struct {
		file, text string
		want       []string // file:line:field code
	}{
		"latin-1":              {"makers.csv", "maker,name\na,b\nc,K\xf6nig\n", []string{"makers.csv:3 not_utf8"}},
		"utf-16":               {"makers.csv", "m\x00a\x00", []string{"makers.csv:1 not_utf8"}},
		"bad byte in quotes":   {"makers.csv", "maker,name\na,\"b\n\xff\"\n", []string{"makers.csv:3 not_utf8"}},
		"unknown column":       {"makers.csv", "maker,name,color\n", []string{"makers.csv:1:color unknown_column"}},
		"missing column":       {"makers.csv", "maker\na\n", []string{"makers.csv:1:name missing_column"}},
		"column twice":         {"makers.csv", "maker,name,name\n", []string{"makers.csv:1:name column_twice"}},
		"cell without column":  {"makers.csv", "maker,name\na,b,c\n", []string{"makers.csv:2 cell_without_column"}},
		"empty required cell":  {"makers.csv", "maker,name\na,\n,b\n", []string{"makers.csv:2:name required", "makers.csv:3:maker required"}},
		"open quote":           {"makers.csv", "maker,name\na,\"b\nc,d\n", []string{"makers.csv:2 quote_not_closed"}},
		"text after quote":     {"makers.csv", "maker,name\na,\"b\"c\n", []string{"makers.csv:2 text_after_quote"}},
		"control character":    {"makers.csv", "maker,name\na,b\x07c\n", []string{"makers.csv:2:name control_character"}},
		"empty file":           {"makers.csv", "", []string{"makers.csv:1 no_header"}},
		"not a table":          {"paints.csv", "a\n", []string{"paints.csv unknown_table"}},
		"not a number":         {"openings.csv", "opening,minutes,labor\ncap,5min,L\n", []string{"openings.csv:2:minutes not_a_number"}},
		"not finite":           {"openings.csv", "opening,minutes,labor\ncap,1e999,L\n", []string{"openings.csv:2:minutes not_a_number"}},
		"ambiguous comma":      {"openings.csv", "opening;minutes;labor\ncap;1,500;L\n", []string{"openings.csv:2:minutes number_ambiguous"}},
		"not whole":            {"adjusters.csv", "damper,adjuster,clicks,reference\nd,rebound,3.5,from_closed\n", []string{"adjusters.csv:2:clicks not_a_whole_number"}},
		"year out of its size": {"fork_options.csv", "fork,fact,value,year_from\nf,tube,thick,99999\n", []string{"fork_options.csv:2:year_from not_a_whole_number"}},
		"not yes or no":        {"contents.csv", "kit,part,quantity,default\nk,p,1,perhaps\n", []string{"contents.csv:2:default not_yes_or_no"}},
		"verdict":              {"fitments.csv", fitmentHead + "r1,p,fork,f,maybe,x,y,z,,\n", []string{"fitments.csv:2:verdict unknown_word"}},
		"level":                {"fitments.csv", fitmentHead + "r1,p,planet,f,fits,x,y,z,,\n", []string{"fitments.csv:2:level unknown_word"}},
		"fact":                 {"fitments.csv", fitmentHead + "r1,p,fork,f,fits,x,y,z,tube,\n", []string{"fitments.csv:2:must bad_fact"}},
		"requirement":          {"fitments.csv", fitmentHead + "r1,p,fork,f,fits_with,x,y,z,,wish:A*2\n", []string{"fitments.csv:2:requires bad_requirement"}},
		"several at once": {"fitments.csv", fitmentHead + "r1,p,fork,f,maybe,x,y,z,tube,\n,p,fork,f,fits,x,y,z,,\n",
			[]string{"fitments.csv:2:must bad_fact", "fitments.csv:2:verdict unknown_word", "fitments.csv:3:row required"}},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			_, problems := Read(folder(map[string]string{tt.file: tt.text}))
			var got []string
			for _, p := range problems {
				got = append(got, strings.Split(p.String(), ": ")[0]+" "+p.Code)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d, problems)
			}
		})
	}
}

const fitmentHead = "row,part,level,target,verdict,reason,evidence,source,must,requires\n"

func TestAFitmentRow(t *testing.T) {
	got, problems := Read(folder(map[string]string{"fitments.csv": "row,part,level,target,verdict,year_from,year_to,serial_from,serial_to,travel_from_mm,travel_to_mm,must,must_not,requires,requires_text,reason,evidence,source\n" +
		"r1,CC-1,model,alder/Ridge,fits_with,2020,2024,A1,B9,150,160,tube=thick; crown=single,damper=d1,travel_spacer:TS-10*2;remove,Shorten it;Take the stock rod out,listed,measured,sheet 4\n" +
		"r2,CC-1,fork,ridge-1,fits,,,,,,,,,,,listed,measured,sheet 4\n"}))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	want := []catalog.Fitment{
		{Pos: catalog.Pos{File: "fitments.csv", Line: 2}, ID: "r1", Part: "CC-1", Level: catalog.AtModel, Target: "alder/Ridge", Verdict: catalog.FitsWith,
			YearFrom: 2020, YearTo: 2024, TravelFromMM: 150, TravelToMM: 160, Reason: "listed", Evidence: "measured", Source: "sheet 4",
			Conditions: &catalog.Conditions{SerialFrom: "A1", SerialTo: "B9",
				Must: []catalog.Fact{{Name: "tube", Value: "thick"}, {Name: "crown", Value: "single"}}, MustNot: []catalog.Fact{{Name: "damper", Value: "d1"}},
				Requires: []catalog.Requirement{{Kind: "travel_spacer", Part: "TS-10", Quantity: 2, Text: "Shorten it"}, {Kind: "remove", Quantity: 1, Text: "Take the stock rod out"}}}},
		{Pos: catalog.Pos{File: "fitments.csv", Line: 3}, ID: "r2", Part: "CC-1", Level: catalog.AtFork, Target: "ridge-1", Verdict: catalog.Fits,
			Reason: "listed", Evidence: "measured", Source: "sheet 4"},
	}
	if d := cmp.Diff(want, got.Fitments); d != "" {
		t.Error(d)
	}
}

func TestADecimalCommaWhereTheFileSeparatesByAnother(t *testing.T) {
	got, problems := Read(folder(map[string]string{"openings.csv": "opening;minutes;labor\ncap;7,5;L\n"}))
	if len(problems) > 0 || got.Openings[0].Minutes != 7.5 {
		t.Error(got.Openings, problems)
	}
}
