package stock

import (
	"time"

	"github.com/quagmt/udecimal"
)

// Reservation is what is promised at a location, as its owner may know it: not for whom.
type Reservation struct {
	ID        string
	SKU       string
	Quantity  udecimal.Decimal
	Fulfilled udecimal.Decimal // of it, handed over
	State     string           // held|fulfilled|released
	HeldUntil time.Time        // past it the goods are free
	Change    int64            // the location's counter at its last change
	CreatedAt time.Time
	EndedAt   *time.Time
}
