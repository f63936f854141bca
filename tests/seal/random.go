// Package seal asks what can be read of a store by somebody who has its disk,
// and what a sealed record costs.
package seal

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/tests/house"
)

// answers is how many answers a random talk has at most.
const answers = 40

// lead leads a person through a talk with random answers, each some seconds
// after the one before, until nothing is asked or the talk has been led long enough.
func lead(h *house.House, clock *house.Clock, r *rand.Rand, person care.PersonID) error {
	who := house.Caller(person, "en", "PT")
	who.Address = fmt.Sprintf("discord:%018d", r.Int64N(1e18))
	ev := care.Event{Kind: care.Opened}
	for n := range answers {
		ev.ID = care.EventID(fmt.Sprintf("%d", r.Int64()))
		if err := h.Intake.Handle(context.Background(), who, ev); err != nil && !errors.Is(err, care.ErrBadChoice) {
			return fmt.Errorf("answer %d: %w", n, err)
		}
		clock.Pass(time.Duration(r.Int64N(int64(time.Minute))))
		ep, err := episode(h, person)
		if err != nil {
			return err
		}
		if ep.Ask == nil {
			return nil
		}
		ev = answer(r, ep.Ask)
	}
	return nil
}

func episode(h *house.House, person care.PersonID) (care.Episode, error) {
	was, err := h.Intake.Store.Load(context.Background(), string(person))
	if err != nil || was.Bytes == nil {
		return care.Episode{}, err
	}
	r, err := record.Decode(was.Bytes)
	return r.Episode, err
}

// answer is some answer that the question takes.
func answer(r *rand.Rand, ask *care.Ask) care.Event {
	said := func(format string, args ...any) care.Event {
		return care.Event{Kind: care.Said, Text: fmt.Sprintf(format, args...)}
	}
	switch ask.Kind {
	case care.Scale:
		return said("%d", r.IntN(11))
	case care.Age:
		return said("%d", 18+r.IntN(60))
	case care.Since:
		return said("%d hours ago", 1+r.IntN(20))
	case care.Height:
		return said("%d cm", 150+r.IntN(50))
	case care.Consent:
		return care.Event{Kind: care.Chose, Choices: []string{care.Yes}}
	case care.AnyOf:
		if r.IntN(4) > 0 {
			return care.Event{Kind: care.Chose, Choices: []string{care.None}}
		}
	}
	if len(ask.Choices) == 0 {
		return said("yes")
	}
	return care.Event{Kind: care.Chose, Choices: []string{ask.Choices[r.IntN(len(ask.Choices))].Value}}
}
