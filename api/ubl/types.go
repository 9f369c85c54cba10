package ubl

import "encoding/xml"

// The types below are in the order that the schema wants.

type document struct {
	XMLName    xml.Name    `xml:"Quotation"`
	Xmlns      string      `xml:"xmlns,attr"`
	Cac        string      `xml:"xmlns:cac,attr"`
	Cbc        string      `xml:"xmlns:cbc,attr"`
	Version    string      `xml:"cbc:UBLVersionID"`
	ID         string      `xml:"cbc:ID"`
	UUID       string      `xml:"cbc:UUID,omitempty"`
	IssueDate  string      `xml:"cbc:IssueDate"`
	Notes      []string    `xml:"cbc:Note"`
	Currency   string      `xml:"cbc:PricingCurrencyCode"`
	LineCount  int         `xml:"cbc:LineCountNumeric"`
	Validity   *period     `xml:"cac:ValidityPeriod"`
	Request    *reference  `xml:"cac:RequestForQuotationDocumentReference"`
	Page       *webPage    `xml:"cac:AdditionalDocumentReference"`
	Seller     supplier    `xml:"cac:SellerSupplierParty"`
	Buyer      *supplier   `xml:"cac:BuyerCustomerParty"`
	Allowances []allowance `xml:"cac:AllowanceCharge"`
	Tax        *taxTotal   `xml:"cac:TaxTotal"`
	Totals     totals      `xml:"cac:QuotedMonetaryTotal"`
	Lines      []line      `xml:"cac:QuotationLine"`
}

type period struct {
	End string `xml:"cbc:EndDate"`
}

type reference struct {
	ID string `xml:"cbc:ID"`
}

// webPage is the quote as a page for a browser.
type webPage struct {
	ID   string `xml:"cbc:ID"`
	Kind string `xml:"cbc:DocumentType"`
	URI  string `xml:"cac:Attachment>cac:ExternalReference>cbc:URI"`
	Mime string `xml:"cac:Attachment>cac:ExternalReference>cbc:MimeCode"`
}

type supplier struct {
	Party party `xml:"cac:Party"`
}

type party struct {
	Website string     `xml:"cbc:WebsiteURI,omitempty"`
	Name    *partyName `xml:"cac:PartyName"`
	Address *address   `xml:"cac:PostalAddress"`
	Tax     []partyTax `xml:"cac:PartyTaxScheme"`
	Legal   *legal     `xml:"cac:PartyLegalEntity"`
	Contact *contact   `xml:"cac:Contact"`
}

type partyName struct {
	Name string `xml:"cbc:Name"`
}

type address struct {
	Lines   []addressLine `xml:"cac:AddressLine"`
	Country *country      `xml:"cac:Country"`
}

type addressLine struct {
	Line string `xml:"cbc:Line"`
}

type country struct {
	Code string `xml:"cbc:IdentificationCode"`
}

type partyTax struct {
	ID     string `xml:"cbc:CompanyID"`
	Scheme scheme `xml:"cac:TaxScheme"`
}

type scheme struct {
	ID string `xml:"cbc:ID"`
}

type legal struct {
	Name string `xml:"cbc:RegistrationName"`
	ID   string `xml:"cbc:CompanyID,omitempty"`
}

type contact struct {
	Name  string `xml:"cbc:Name,omitempty"`
	Phone string `xml:"cbc:Telephone,omitempty"`
	Email string `xml:"cbc:ElectronicMail,omitempty"`
}

type allowance struct {
	Charge bool      `xml:"cbc:ChargeIndicator"`
	Code   string    `xml:"cbc:AllowanceChargeReasonCode,omitempty"`
	Reason string    `xml:"cbc:AllowanceChargeReason,omitempty"`
	Amount amount    `xml:"cbc:Amount"`
	Tax    *category `xml:"cac:TaxCategory"`
}

type taxTotal struct {
	Amount amount     `xml:"cbc:TaxAmount"`
	Groups []taxGroup `xml:"cac:TaxSubtotal"`
}

type taxGroup struct {
	Taxable  amount   `xml:"cbc:TaxableAmount"`
	Amount   amount   `xml:"cbc:TaxAmount"`
	Category category `xml:"cac:TaxCategory"`
}

type category struct {
	ID      string `xml:"cbc:ID"`
	Percent string `xml:"cbc:Percent"`
	Reason  string `xml:"cbc:TaxExemptionReason,omitempty"`
	Scheme  scheme `xml:"cac:TaxScheme"`
}

type totals struct {
	Lines      amount `xml:"cbc:LineExtensionAmount"`
	Net        amount `xml:"cbc:TaxExclusiveAmount"`
	Gross      amount `xml:"cbc:TaxInclusiveAmount"`
	Allowances amount `xml:"cbc:AllowanceTotalAmount"`
	Charges    amount `xml:"cbc:ChargeTotalAmount"`
	Prepaid    amount `xml:"cbc:PrepaidAmount"`
	Rounding   amount `xml:"cbc:PayableRoundingAmount"`
	Due        amount `xml:"cbc:PayableAmount"`
}

type amount struct {
	Currency string `xml:"currencyID,attr"`
	Value    string `xml:",chardata"`
}

type quantity struct {
	Unit  string `xml:"unitCode,attr"`
	Value string `xml:",chardata"`
}

type line struct {
	ID   string   `xml:"cbc:ID"`
	Item lineItem `xml:"cac:LineItem"`
}

type lineItem struct {
	ID         string            `xml:"cbc:ID"`
	Notes      []string          `xml:"cbc:Note"`
	Quantity   quantity          `xml:"cbc:Quantity"`
	Net        *amount           `xml:"cbc:LineExtensionAmount"`
	Reference  *pricingReference `xml:"cac:PricingReference"`
	Allowances []allowance       `xml:"cac:AllowanceCharge"`
	Price      *price            `xml:"cac:Price"`
	Item       item              `xml:"cac:Item"`
}

type pricingReference struct {
	Price price `xml:"cac:AlternativeConditionPrice"`
}

type price struct {
	Amount amount    `xml:"cbc:PriceAmount"`
	Base   *quantity `xml:"cbc:BaseQuantity"`
	Type   string    `xml:"cbc:PriceType,omitempty"`
}

type item struct {
	Name     string          `xml:"cbc:Name"`
	Buyers   *identification `xml:"cac:BuyersItemIdentification"`
	Sellers  *identification `xml:"cac:SellersItemIdentification"`
	Standard *identification `xml:"cac:StandardItemIdentification"`
	Tax      *category       `xml:"cac:ClassifiedTaxCategory"`
}

type identification struct {
	ID identifier `xml:"cbc:ID"`
}

type identifier struct {
	Scheme string `xml:"schemeID,attr,omitempty"`
	Value  string `xml:",chardata"`
}
