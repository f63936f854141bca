package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/record"
	"turnstone/safety"
	"turnstone/store"
)

// commit decides on one event and writes the decision, anew from what is
// there if somebody else was first, and lets it be delivered.
func (in *Intake) commit(ctx context.Context, c Caller, person care.PersonID, ev care.Event, found care.Finding) error {
	after, err := in.write(ctx, person, ev, found, func() (record.Record, bool) {
		return in.fresh(c, person, ev.ID), c.Person != ""
	})
	switch {
	case err != nil || c.Person == "":
		return err
	case after.WantsOther:
		return in.beside(ctx, c, ev)
	case after.Erasing && (after.Beside || after.Other) && ev.Kind == care.Said:
		return in.forget(ctx, c, person, ev)
	}
	return nil
}

func (in *Intake) commitFrom(ctx context.Context, person care.PersonID, ev care.Event, absent func() (record.Record, bool)) error {
	_, err := in.write(ctx, person, ev, care.Finding{}, absent)
	return err
}

// write is one turn: load, decide, commit, deliver. absent gives the record to
// begin with where there is none, or false where nothing may begin.
func (in *Intake) write(ctx context.Context, person care.PersonID, ev care.Event, found care.Finding, absent func() (record.Record, bool)) (care.Episode, error) {
	for range tries {
		now := in.moment()
		was, err := in.Store.Load(ctx, string(person))
		if err != nil {
			return care.Episode{}, fmt.Errorf("load: %w", err)
		}
		r, kept, err := in.record(was, ev, absent, now)
		if err != nil {
			return care.Episode{}, err
		}
		if r == nil {
			return care.Episode{}, nil // an item of somebody who was erased meanwhile
		}
		if r.HasSeen(ev.ID) && ev.ID != "" {
			return care.Episode{}, in.seen(ctx, person)
		}
		ev.Pressed = in.pressed()
		change, err := in.step(ctx, person, r.Episode, ev, found, now)
		if err != nil {
			return care.Episode{}, err
		}
		next := *r
		next.Episode = change.Episode
		next.Note(ev.ID)
		w, err := record.Write(person, was.Etag, record.Nonce(), next, change.Log, now)
		if err != nil {
			return care.Episode{}, err
		}
		w.Keep = append(w.Keep, kept...)
		w.Named = append(in.active(next, person, ev), forgotten(r.Episode, next.Episode)...)
		if ev.Kind == care.StaffDid {
			row, err := record.AuditOf(ev.Staff, now).Named()
			if err != nil {
				return care.Episode{}, err
			}
			w.Named = append(w.Named, row)
		}
		switch err := in.put(ctx, w); {
		case errors.Is(err, store.ErrStale):
			continue // somebody was first; decide again from what they left
		case err != nil:
			return care.Episode{}, fmt.Errorf("commit: %w", err)
		}
		in.committed(ctx, person, ev, change.Log)
		return change.Episode, in.deliver(ctx, person, ev)
	}
	return care.Episode{}, fmt.Errorf("%w: somebody else committed first %d times", store.ErrStale, tries)
}

// committed tells whoever wants to know, before anything is delivered.
func (in *Intake) committed(ctx context.Context, person care.PersonID, ev care.Event, lines []care.Line) {
	if in.Acted != nil && ev.Kind == care.StaffDid {
		in.Acted(ctx)
	}
	if in.Committed != nil {
		in.Committed(person, lines)
	}
}

// deliver sends what a commit made due. What staff did is done by then: told
// that it failed they would do it again, and a reply would be read twice.
func (in *Intake) deliver(ctx context.Context, person care.PersonID, ev care.Event) error {
	err := in.Out.Deliver(ctx, person)
	if err != nil && ev.Kind == care.StaffDid {
		in.Log.ErrorContext(ctx, "what staff did is kept; not all of it is delivered yet", "item", ev.Staff.ID, "err", err)
		return nil
	}
	return err
}

// forgotten takes the cards of somebody who is to be forgotten off the staff
// list, in the same commit; what stays is the bare item of an open emergency.
func forgotten(before, after care.Episode) (named []store.NamedWrite) {
	for _, e := range before.Escalations {
		stays := slices.ContainsFunc(after.Escalations, func(a care.Escalation) bool { return a.ID == e.ID })
		if after.Erasing && !stays {
			named = append(named, store.NamedWrite{Key: record.CardKey(e.ID)})
		}
	}
	return named
}

// seen answers a redelivery; what the first delivery may have left unsent is
// sent now.
func (in *Intake) seen(ctx context.Context, person care.PersonID) error {
	return errors.Join(ErrSeen, in.Out.Deliver(ctx, person))
}

// sends is how often the same write is sent when nobody said how it ended.
const sends = 3

// put sends one write, and the same bytes again when the answer is unknown:
// the store recognises its own repeat.
func (in *Intake) put(ctx context.Context, w store.Write) error {
	var err error
	for range sends {
		err = in.Store.Commit(ctx, w)
		if err == nil || errors.Is(err, store.ErrStale) || errors.Is(err, store.ErrInvalid) || ctx.Err() != nil {
			return err
		}
	}
	return err
}

// record decodes what was loaded. A closed episode gives way to a new one at
// the next word, and is kept apart.
func (in *Intake) record(was store.Record, ev care.Event, absent func() (record.Record, bool), now time.Time) (*record.Record, []store.Kept, error) {
	if was.Bytes == nil {
		r, may := absent()
		if !may {
			return nil, nil, nil
		}
		return &r, nil, nil
	}
	r, err := record.Decode(was.Bytes)
	if err != nil {
		return nil, nil, err
	}
	came := ev.Kind == care.Said || ev.Kind == care.Chose || ev.Kind == care.Opened
	if !r.Episode.Closed || !came {
		return &r, nil, nil
	}
	anew, may := absent()
	if !may {
		return &r, nil, nil
	}
	anew.Seen = r.Seen
	if r.Episode.Erasing { // the farewell still goes out, and the bare item of an open emergency
		anew.Episode.Agenda, anew.Episode.Escalations = r.Episode.Agenda, r.Episode.Escalations
		return &anew, nil, nil
	}
	anew.Episode.Agenda = along(&r.Episode)
	kept, err := record.Keep(r, now.Add(record.KeepFor(&r.Episode)))
	return &anew, []store.Kept{kept}, err
}

// fresh is the record of somebody who was not there before.
func (in *Intake) fresh(c Caller, person care.PersonID, first care.EventID) record.Record {
	beside, now := person != c.Person, in.moment()
	return record.Record{
		Address: c.Address, Account: string(c.Person),
		Episode: in.Flow.Begin(flow.Start{
			ID: episodeID(person, first), Locale: c.Locale, Zone: c.Zone, ZoneSet: c.ZoneSet, Region: c.Region, Server: c.Server, Shared: c.Shared, Other: beside, Now: now,
		}),
	}
}

// step asks the flow, and holds what it says against the gate. If the flow
// errs or panics, or the gate refuses, an emergency is raised all the same.
func (in *Intake) step(ctx context.Context, person care.PersonID, ep care.Episode, ev care.Event, found care.Finding, now time.Time) (care.Change, error) {
	change, err := in.decide(ep, ev, found, now)
	if err == nil {
		err = in.gate(change.Episode, ep)
	}
	switch {
	case err == nil, errors.Is(err, care.ErrBadChoice), errors.Is(err, care.ErrNoAsk), errors.Is(err, care.ErrStaff):
		return change, err
	}
	in.Log.ErrorContext(ctx, "the flow could not decide", "episode", string(ep.ID), "state", ep.State, "err", err)
	switch {
	case found.Class() == care.AmbulanceNow || ep.Open:
		return in.fallback(ep, found, now), nil
	case errors.Is(err, safety.ErrStopped) && change.Episode.Disposition >= ep.Disposition:
		return in.withhold(change, now), nil
	}
	return change, fmt.Errorf("episode %s: %w", ep.ID, err)
}

// withhold keeps back the messages that the gate refused. What was decided
// stands, and the person is told that something went wrong.
func (in *Intake) withhold(change care.Change, now time.Time) care.Change {
	ep := &change.Episode
	ep.Agenda = slices.DeleteFunc(slices.Clone(ep.Agenda), func(it care.Item) bool {
		if it.What != care.DoSay || in.Door.Pass(ep, it.Say) == nil {
			return false
		}
		change.Log = append(change.Log, care.Line{Type: care.LineDropped, At: now, ID: string(it.ID), What: it.What})
		return true
	})
	ep.Seq++
	ep.Agenda = append(ep.Agenda, care.Item{
		ID: care.ItemID(fmt.Sprintf("%s-%d", ep.ID, ep.Seq)), What: care.DoSay, Due: now, Urgent: true,
		Say: &care.Message{Lines: []care.Sentence{in.Door.Fault(ep.Region)}},
	})
	return change
}

// decide keeps a panic of the flow from taking the emergency with it.
func (in *Intake) decide(ep care.Episode, ev care.Event, found care.Finding, now time.Time) (change care.Change, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the flow panicked: %v", p)
		}
	}()
	return in.Flow.Step(ep, ev, found, now)
}

// gate looks at every message that the change wants to send.
func (in *Intake) gate(ep, before care.Episode) error {
	for _, it := range ep.Agenda {
		if it.What != care.DoSay || it.Say == nil {
			continue
		}
		if err := in.Door.Pass(&ep, it.Say); err != nil {
			return fmt.Errorf("item %s: %w", it.ID, err)
		}
	}
	return in.Door.Lowered(&before, &ep)
}

// fallback is the emergency without the flow: the fixed card and one item for
// staff, on the episode as it was. Nothing is asked any more.
func (in *Intake) fallback(ep care.Episode, found care.Finding, now time.Time) care.Change {
	if found.Sign != "" || len(ep.Because()) == 0 {
		names := []string{}
		if found.Sign != "" {
			names = append(names, string(found.Sign))
		}
		ep.Reasons = append(slices.Clone(ep.Reasons), care.Reason{
			Row: "fallback/" + string(found.Sign), To: care.Ambulance, Names: names, Sensitive: found.Sign.Sensitive(),
		})
	}
	ep.Disposition, ep.Open, ep.Ask = care.Ambulance, true, nil
	ep.State, ep.Aside = flow.StateRest, care.Aside{}
	ep.Escalations = slices.Clone(ep.Escalations)
	i := slices.IndexFunc(ep.Escalations, func(e care.Escalation) bool { return e.What == care.AboutDisposition && !e.Bare })
	if i < 0 {
		ep.Seq++
		ep.Escalations = append(ep.Escalations, care.Escalation{ID: fmt.Sprintf("%s-%d", ep.ID, ep.Seq), What: care.AboutDisposition, Since: now})
		i = len(ep.Escalations) - 1
	}
	e := &ep.Escalations[i]
	e.Disposition, e.Because, e.Held = care.Ambulance, ep.Because(), false
	e.Sensitive = e.Sensitive || found.Sign.Sensitive()
	if e.State != care.StateTaken {
		e.State = care.StateOpen
	}
	ep.Seq++
	card := fmt.Sprintf("%s-%d", ep.ID, ep.Seq)
	ep.Agenda = append(slices.DeleteFunc(slices.Clone(ep.Agenda), func(it care.Item) bool { return it.What == care.DoSay }),
		care.Item{ID: care.ItemID(card), What: care.DoSay, Due: now, Urgent: true, Say: &care.Message{Lines: []care.Sentence{in.Door.FixedCard(ep.Region)}}},
		care.Item{ID: care.ItemID(card + "-raise"), What: care.DoRaise, Due: now, Urgent: true, About: e.ID})
	return care.Change{Episode: ep, Log: []care.Line{
		{Type: care.LineDisposition, At: now, Protocol: ep.Protocol, Disposition: care.Ambulance, Because: e.Because},
		{Type: care.LineEscalation, At: now, ID: e.ID, What: e.What, Disposition: care.Ambulance, Because: e.Because, Sensitive: e.Sensitive},
	}}
}
