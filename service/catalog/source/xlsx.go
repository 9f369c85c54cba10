package source

import (
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"forkwright/service/catalog"
)

// maxWorkbookBytes bounds a workbook after unpacking.
const maxWorkbookBytes = 512 << 20

// workbook takes a workbook with a sheet per table. A problem's file is "catalog.xlsx/forks".
func (r *reading) workbook(name string, content io.Reader) {
	book, err := excelize.OpenReader(content, excelize.Options{RawCellValue: true, UnzipSizeLimit: maxWorkbookBytes, UnzipXMLSizeLimit: 16 << 20})
	if err != nil {
		r.refuse(catalog.Pos{File: name}, "", "not_a_workbook", "the file cannot be read as a workbook: %v", err)
		return
	}
	defer book.Close()
	for _, sheet := range book.GetSheetList() {
		r.sheet(book, name, sheet)
	}
}

func (r *reading) sheet(book *excelize.File, name, sheet string) {
	at := catalog.Pos{File: name + "/" + sheet}
	rows, err := book.Rows(sheet)
	if err != nil {
		r.refuse(at, "", "unreadable_sheet", "the sheet cannot be read: %v", err)
		return
	}
	defer rows.Close()
	var in *intake
	var dates []bool
	for line := 1; rows.Next(); line++ {
		names, err := rows.Columns()
		if err != nil {
			r.refuse(catalog.Pos{File: at.File, Line: line}, "", "unreadable_sheet", "the line cannot be read: %v", err)
			return
		}
		if in == nil {
			if strings.TrimSpace(strings.Join(names, "")) == "" {
				continue
			}
			if in = r.table(at, strings.ToLower(strings.TrimSpace(sheet)), "sheet"); in == nil || !in.header(line, names) {
				return
			}
			dates = dateColumns(names)
			continue
		}
		in.take(line, sheetCells(names, dates))
	}
	if err := rows.Error(); err != nil {
		r.refuse(at, "", "unreadable_sheet", "the sheet cannot be read to its end: %v", err)
	}
}

// dateColumns says which columns hold dates: a spreadsheet turns what looks like a date into
// days since 1900.
func dateColumns(names []string) []bool {
	out := make([]bool, len(names))
	for i, n := range names {
		n = strings.ToLower(strings.TrimSpace(n))
		out[i] = strings.HasPrefix(n, "date_") || strings.HasPrefix(n, "valid_")
	}
	return out
}

func sheetCells(texts []string, dates []bool) [][]byte {
	cells := make([][]byte, len(texts))
	for i, text := range texts {
		if i < len(dates) && dates[i] {
			if days, err := strconv.ParseFloat(text, 64); err == nil {
				if day, err := excelize.ExcelDateToTime(days, false); err == nil {
					text = day.Format(time.DateOnly)
				}
			}
		}
		cells[i] = []byte(asTyped(text))
	}
	return cells
}

// asTyped is a number as a person typed it. A workbook stores 0.29 as 0.28999999999999998 and a
// long code as 2.9E12; a spreadsheet shows 15 digits.
func asTyped(text string) string {
	v, ok := plainNumber([]byte(text))
	if !ok || len(text) <= 15 && !strings.ContainsAny(text, "eE") || !strings.ContainsAny(text, ".eE") {
		return text
	}
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 15, 64), 64)
	if err != nil {
		return text
	}
	return strconv.FormatFloat(short, 'f', -1, 64)
}
