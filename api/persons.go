package api

import (
	"context"
	"net/http"
	"time"

	"github.com/quagmt/udecimal"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

// PersonStore keeps personal values, and nothing else does.
type PersonStore interface {
	PutPerson(ctx context.Context, by caller.Caller, p account.Person) (account.Person, error)
	Person(ctx context.Context, accountID, id string) (account.Person, error)
	ErasePerson(ctx context.Context, by caller.Caller, accountID, id string) error
}

type personBody struct {
	Name        string   `json:"name,omitempty"`
	Email       string   `json:"email,omitempty"`
	Phone       string   `json:"phone,omitempty"`
	Address     string   `json:"address,omitempty"`
	Note        string   `json:"note,omitempty"`
	RiderMassKg *float64 `json:"rider_mass_kg,omitempty"`
}

func (b personBody) domain(owner, id string) (account.Person, error) {
	p := account.Person{ID: id, AccountID: owner, Name: b.Name, Email: b.Email, Phone: b.Phone, Address: b.Address, Note: b.Note}
	if b.RiderMassKg != nil {
		mass, err := udecimal.NewFromFloat64(*b.RiderMassKg)
		if err != nil {
			return p, wrongField("/rider_mass_kg", "out_of_range", "rider_mass_kg is no mass of a rider.")
		}
		p.RiderMassKg = &mass
	}
	return p, p.Check()
}

type personOut struct {
	Reply    `json:"-"`
	PersonID string `json:"person_id"`
	personBody
	CreatedAt time.Time  `json:"created_at"`
	UsedAt    time.Time  `json:"used_at"`
	ErasedAt  *time.Time `json:"erased_at,omitempty"`
}

func personWire(p account.Person) personOut {
	out := personOut{
		PersonID: p.ID, CreatedAt: p.CreatedAt.UTC(), UsedAt: p.UsedAt.UTC(), ErasedAt: utc(p.ErasedAt),
		personBody: personBody{Name: p.Name, Email: p.Email, Phone: p.Phone, Address: p.Address, Note: p.Note},
	}
	if p.RiderMassKg != nil {
		kg := p.RiderMassKg.InexactFloat64()
		out.RiderMassKg = &kg
	}
	return out
}

func (s *Server) createPerson(ctx context.Context, who caller.Caller, in struct {
	once
	Body personBody `body:""`
}) (personOut, error) {
	p, err := in.Body.domain(who.AccountID, "")
	if err != nil {
		return personOut{}, err
	}
	by, err := in.by(who, "createPerson", http.StatusCreated, in.Body)
	if err != nil {
		return personOut{}, err
	}
	if p, err = s.Persons.PutPerson(ctx, by, p); err != nil {
		return personOut{}, err
	}
	out := personWire(p)
	out.Status, out.Location = http.StatusCreated, "/v1/persons/"+p.ID
	return out, nil
}

type personIn struct {
	PersonID string `path:"person_id"`
}

func (s *Server) getPerson(ctx context.Context, who caller.Caller, in personIn) (personOut, error) {
	p, err := s.Persons.Person(ctx, who.AccountID, in.PersonID)
	return personWire(p), personFault(err)
}

func personFault(err error) error {
	if fault.CodeOf(err) == "not_found" {
		return fault.Wrap(err, fault.NotFound, "person_not_found", "There is no such person, or it is not yours.")
	}
	return err
}

// putPerson corrects what is kept of a person. It reads first: the store would make a person
// of an id that it does not know.
func (s *Server) putPerson(ctx context.Context, who caller.Caller, in struct {
	personIn
	Body personBody `body:""`
}) (personOut, error) {
	p, err := in.Body.domain(who.AccountID, in.PersonID)
	if err != nil {
		return personOut{}, err
	}
	now, err := s.Persons.Person(ctx, who.AccountID, in.PersonID)
	switch {
	case err != nil:
		return personOut{}, personFault(err)
	case now.ErasedAt != nil:
		return personOut{}, fault.New(fault.Gone, "person_erased", "This person's data has been erased and cannot be filled in again; make a new one.")
	}
	p, err = s.Persons.PutPerson(ctx, who, p)
	return personWire(p), err
}

func (s *Server) erasePerson(ctx context.Context, who caller.Caller, in struct {
	once
	personIn
}) (personOut, error) {
	by, err := in.by(who, "erasePerson", http.StatusOK, in.PersonID)
	if err != nil {
		return personOut{}, err
	}
	if err := s.Persons.ErasePerson(ctx, by, who.AccountID, in.PersonID); err != nil {
		return personOut{}, personFault(err)
	}
	p, err := s.Persons.Person(ctx, who.AccountID, in.PersonID)
	return personWire(p), err
}
