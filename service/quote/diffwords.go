package quote

import "strings"

// language is what a difference is told in: sentences by name, with places in braces
// to be filled in, and words by code.
type language struct {
	tag       string // BCP 47
	point     string // the decimal sign
	sentences map[string]string
}

// wordsIn is the language of a tag, English where there are no words for it.
func wordsIn(tag string) language {
	base, _, _ := strings.Cut(strings.ToLower(tag), "-")
	if base == german.tag {
		return german
	}
	return english
}

// say fills a sentence; values are names and what they stand for.
func (l language) say(sentence string, values ...string) string {
	pairs := make([]string, len(values))
	for i := 0; i+1 < len(values); i += 2 {
		pairs[i], pairs[i+1] = "{"+values[i]+"}", values[i+1]
	}
	return strings.NewReplacer(pairs...).Replace(l.sentences[sentence])
}

// word is a code as people say it; one without a word is read as it is written.
func (l language) word(of, code string) string {
	if text, ok := l.sentences[of+"."+code]; ok {
		return text
	}
	return strings.ReplaceAll(code, "_", " ")
}

// figures writes the decimal sign of numbers as the language does.
func (l language) figures(text string) string { return strings.ReplaceAll(text, ".", l.point) }

var english = language{"en", ".", map[string]string{
	"line": "Line {no}, {name}: {what}.",

	"added":      "is new: {quantity}",
	"removed":    "is no longer on the quote",
	"superseded": "replaces {sku}",
	"quantity":   "quantity {after} instead of {before}",
	"tax":        "tax {is} instead of {was}",
	"tax_rate":   "{category} at {rate} %",
	"no_tax":     "not stated",
	"amount":     "the line comes to {after} instead of {before}",
	"verdict":    "the fit is now: {is}; it was: {was}",
	"notice":     "notice: {is}",
	"no_notice":  "no notice applies any longer",
	"stopped":    "stopped: {text}",
	"stock":      "now {is}; it was {was}",

	"price_new":     "has a price now, {is}",
	"price_gone":    "has no price any longer; it was {was}",
	"price_rises":   "the price rises from {was} to {is}",
	"price_falls":   "the price falls from {was} to {is}",
	"per":           "{price} per {quantity} {unit}",
	"price_changes": "the price changes from {was} to {is}",

	"total_rises":   "The amount due rises from {before} to {after}.",
	"total_falls":   "The amount due falls from {before} to {after}.",
	"total_changes": "The amount due changes from {before} to {after}.",

	"verdict.":       "not judged",
	"source":         "{quantity} {kind} at {location}",
	"source_on":      "{source} from {day}",
	"not_checked":    "not checked",
	"source.on_hand": "on hand", "source.incoming": "incoming", "source.backorder": "to be ordered",
}}

var german = language{"de", ",", map[string]string{
	"line": "Posten {no}, {name}: {what}.",

	"added":      "ist neu: {quantity}",
	"removed":    "steht nicht mehr auf dem Angebot",
	"superseded": "ersetzt {sku}",
	"quantity":   "Menge {after} statt {before}",
	"tax":        "Steuer {is} statt {was}",
	"tax_rate":   "{category} zu {rate} %",
	"no_tax":     "nicht angegeben",
	"amount":     "der Posten macht {after} statt {before}",
	"verdict":    "Passung jetzt: {is}; bisher: {was}",
	"notice":     "Hinweis: {is}",
	"no_notice":  "kein Hinweis gilt mehr",
	"stopped":    "gesperrt: {text}",
	"stock":      "jetzt {is}; bisher {was}",

	"price_new":     "hat jetzt einen Preis, {is}",
	"price_gone":    "hat keinen Preis mehr; bisher {was}",
	"price_rises":   "der Preis steigt von {was} auf {is}",
	"price_falls":   "der Preis sinkt von {was} auf {is}",
	"per":           "{price} je {quantity} {unit}",
	"price_changes": "der Preis ändert sich von {was} auf {is}",

	"total_rises":   "Der Zahlbetrag steigt von {before} auf {after}.",
	"total_falls":   "Der Zahlbetrag sinkt von {before} auf {after}.",
	"total_changes": "Der Zahlbetrag ändert sich von {before} auf {after}.",

	"verdict.": "nicht beurteilt", "verdict.fits": "passt", "verdict.fits_with": "passt mit weiteren Teilen", "verdict.does_not_fit": "passt nicht", "verdict.unknown": "noch nicht bekannt",
	"verdict.not_in_catalog": "nicht im Katalog", "verdict.not_fork_related": "braucht keine Gabel",
	"source":         "{quantity} {kind} bei {location}",
	"source_on":      "{source} ab {day}",
	"not_checked":    "nicht geprüft",
	"source.on_hand": "vorrätig", "source.incoming": "unterwegs", "source.backorder": "zu bestellen",
}}
