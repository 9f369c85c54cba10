package pdf

import (
	"testing"

	"forkwright/api/page/pdf/pdftest"
)

func textOf(t *testing.T, file []byte) string { return pdftest.Text(t, file) }

func pagesOf(t *testing.T, file []byte) string { return pdftest.Pages(t, file) }
