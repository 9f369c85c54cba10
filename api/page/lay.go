package page

// Laid is a quote as it is laid out, whatever it is then set in.
type Laid = sheet
