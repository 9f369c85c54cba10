package page

import "strings"

// wordsIn are the words of a page in a language, English where there are none.
func wordsIn(tag string) (language string, words map[string]string) {
	base, _, _ := strings.Cut(strings.ToLower(tag), "-")
	if base == "de" {
		return "de", german
	}
	return "en", english
}

var english = map[string]string{
	"quote": "Quote", "number": "Number", "revision": "Revision", "date": "Date", "valid_until": "Valid until", "reference": "Your reference",
	"held_until": "Parts kept until", "for": "For", "item": "Item", "quantity": "Quantity", "unit_price": "Unit price", "tax": "Tax", "amount": "Amount",
	"amounts_in": "Amounts in", "excluding": "prices exclude tax", "including": "prices include tax",
	"on": "on", "sum_lines": "Lines", "discount": "Discount", "charge": "Charge", "net": "Total without tax", "gross": "Total with tax", "prepaid": "Paid already",
	"rounding": "Rounding", "due": "Amount due", "no_price": "no price yet", "others": "Also part of the job, without charge", "to_know": "Please note",
	"terms": "Terms", "in_box_of": "In the box of", "opening": "Open and close:", "fork": "Fork", "handed_over": "handed over",
	"stock_on_hand": "in stock", "stock_incoming": "on its way", "stock_incoming_on": "expected", "stock_backorder": "to be ordered",
	"stock_on_hand_on": "in stock elsewhere, here {day}", "stock_backorder_on": "to be ordered, here {day}", "stock_backorder_days": "to be ordered, takes {days} days, here {day}",
	"stock_stale": "counted {day}; a newer count is overdue", "stock_never_counted": "never counted; a count is overdue",
	"ready_job": "Can be done from", "ready_goods": "All here from", "ready_open": "not known yet",
	"role_included": "Included", "role_reuse": "Reused if sound", "role_inspect": "Inspected", "role_set_aside": "Set aside for you", "role_never_reuse": "Not used again",
	"role_customer_supplied": "Brought by you",
	"brought":                "to be looked at: where it comes from, and that it is complete and sound; it is fitted without a warranty from us",
	"unit_min":               "min", "unit_pair": "pair",
	"state_draft": "Draft: not binding yet", "state_withdrawn": "Withdrawn", "state_expired": "Expired: prices no longer hold", "state_superseded": "Replaced by a later revision",
	"state_declined": "Declined", "state_lapsed": "Lapsed: the parts are no longer kept", "state_accepted": "Accepted", "state_fulfilled": "Handed over", "state_partly_fulfilled": "Partly handed over",
	"price_missing_note": "Some lines have no price yet. The totals are without them.",
	"safety":             "A fork carries you. Springs under load and air under pressure can injure, and a fork that is put together wrongly can fail on the trail. The fork maker's manual comes before this paper; leave the work to a qualified technician where you are not sure.",
	"registration":       "Registered as", "tax_id": "Tax ID", "on_the_web": "This quote on the web:",
}

var german = map[string]string{
	"quote": "Angebot", "number": "Nummer", "revision": "Fassung", "date": "Datum", "valid_until": "Gültig bis", "reference": "Ihr Zeichen",
	"held_until": "Teile liegen bereit bis", "for": "Für", "item": "Posten", "quantity": "Menge", "unit_price": "Einzelpreis", "tax": "Steuer", "amount": "Betrag",
	"amounts_in": "Beträge in", "excluding": "Preise ohne Steuer", "including": "Preise mit Steuer",
	"on": "auf", "sum_lines": "Posten", "discount": "Nachlass", "charge": "Zuschlag", "net": "Summe ohne Steuer", "gross": "Summe mit Steuer", "prepaid": "Schon bezahlt",
	"rounding": "Rundung", "due": "Zu zahlen", "no_price": "noch ohne Preis", "others": "Gehört zur Arbeit, ohne Berechnung", "to_know": "Bitte beachten",
	"terms": "Bedingungen", "in_box_of": "In der Schachtel von", "opening": "Öffnen und schließen:", "fork": "Gabel", "handed_over": "übergeben",
	"stock_on_hand": "vorrätig", "stock_incoming": "unterwegs", "stock_incoming_on": "erwartet am", "stock_backorder": "wird bestellt",
	"stock_on_hand_on": "vorrätig an anderem Ort, hier am {day}", "stock_backorder_on": "wird bestellt, hier am {day}", "stock_backorder_days": "wird bestellt, dauert {days} Tage, hier am {day}",
	"stock_stale": "gezählt am {day}; eine neuere Zählung ist überfällig", "stock_never_counted": "nie gezählt; eine Zählung ist überfällig",
	"ready_job": "Möglich ab", "ready_goods": "Alles hier ab", "ready_open": "noch offen",
	"role_included": "Enthalten", "role_reuse": "Weiter verwendet, wenn gut", "role_inspect": "Geprüft", "role_set_aside": "Für Sie aufgehoben", "role_never_reuse": "Nicht wieder verwendet",
	"role_customer_supplied": "Von Ihnen gebracht",
	"brought":                "anzusehen: woher es kommt, und dass es vollständig und heil ist; eingebaut wird es ohne Gewähr von uns",
	"unit_min":               "min", "unit_pair": "Paar",
	"state_draft": "Entwurf: noch nicht verbindlich", "state_withdrawn": "Zurückgezogen", "state_expired": "Abgelaufen: die Preise gelten nicht mehr", "state_superseded": "Durch eine spätere Fassung ersetzt",
	"state_declined": "Abgelehnt", "state_lapsed": "Verfallen: die Teile liegen nicht mehr bereit", "state_accepted": "Angenommen", "state_fulfilled": "Übergeben", "state_partly_fulfilled": "Teilweise übergeben",
	"price_missing_note": "Einige Posten haben noch keinen Preis. Die Summen sind ohne sie.",
	"safety":             "Eine Gabel trägt Sie. Federn unter Last und Luft unter Druck können verletzen, und eine falsch zusammengesetzte Gabel kann unterwegs versagen. Die Anleitung des Gabelherstellers geht vor; wo Sie unsicher sind, gehört die Arbeit in die Hände einer Fachkraft.",
	"registration":       "Eingetragen als", "tax_id": "Steuernummer", "on_the_web": "Dieses Angebot im Netz:",
}
