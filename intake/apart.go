package intake

import (
	"context"
	"slices"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
)

// A closed episode gives way to a new one, and its items stay on the staff
// list: the card of each stands for it, and what is planned about it (that
// staff are asked again, that it is free again) goes along with the running
// episode.

// chasing are what is planned between the clinic and its staff.
var chasing = []string{care.DoAskStaff, care.DoSecondList, care.DoFreeAgain}

// along is what goes on of an episode that gives way: what was said and is not
// sent yet, and what is planned about items that staff still have to look at.
func along(ep *care.Episode) (list []care.Item) {
	for _, it := range ep.Agenda {
		if it.What == care.DoSay || slices.Contains(chasing, it.What) {
			list = append(list, it)
		}
	}
	return list
}

// dueApart does what is due about an item of an episode that has given way. It
// is false for everything else.
func (in *Intake) dueApart(ctx context.Context, person care.PersonID, it care.Item) (bool, error) {
	if !slices.Contains(chasing, it.What) {
		return false, nil
	}
	was, err := in.Store.Load(ctx, string(person))
	if err != nil || was.Bytes == nil {
		return false, err
	}
	r, err := record.Decode(was.Bytes)
	if err != nil || slices.ContainsFunc(r.Episode.Escalations, func(e care.Escalation) bool { return e.ID == it.About }) {
		return false, err
	}
	data, _, there, err := in.Store.Get(ctx, record.CardKey(it.About))
	if err != nil || !there {
		return false, err
	}
	card, err := record.DecodeCard(data)
	if err != nil {
		return false, err
	}
	return true, in.apart(ctx, card, was.Etag, r, care.Event{Kind: care.FellDue, Item: it})
}

// apart is an event about the item of an episode that has given way to a new
// one: the card changes, and what is planned about it. What staff did and the
// person is to read goes out with the running episode; that nobody has
// answered long ago does not.
func (in *Intake) apart(ctx context.Context, card record.Card, etag store.Etag, r record.Record, ev care.Event) error {
	if r.HasSeen(ev.ID) && ev.ID != "" {
		return nil
	}
	r.Note(ev.ID)
	now := in.moment()
	about := func(it care.Item) bool { return it.About == card.Escalation.ID && slices.Contains(chasing, it.What) }
	ep := card.Record().Episode
	ep.ID = care.EpisodeID(card.Escalation.ID) // each item counts for itself: no ID comes twice
	ep.Open = r.Episode.Open || ep.Open && card.Escalation.Bare
	for _, it := range r.Episode.Agenda {
		if about(it) {
			ep.Agenda = append(ep.Agenda, it)
		}
	}
	change, err := in.decide(ep, ev, care.Finding{}, now)
	if err != nil {
		return err
	}
	r.Episode.Agenda = slices.DeleteFunc(slices.Clone(r.Episode.Agenda), about)
	for _, it := range change.Episode.Agenda {
		switch {
		case about(it):
			r.Episode.Agenda = append(r.Episode.Agenda, it)
		case it.What == care.DoSay && ev.Kind == care.StaffDid:
			it.Say.Ask = r.Episode.Ask // the question that is open stays at the end of what they read
			r.Episode.Agenda = append(r.Episode.Agenda, it)
		}
	}
	w, err := record.Write(card.Person, etag, record.Nonce(), r, change.Log, now)
	if err != nil {
		return err
	}
	card.Escalation, card.Seq = change.Episode.Escalations[0], change.Episode.Seq
	data, err := card.Encode()
	if err != nil {
		return err
	}
	named := store.NamedWrite{Key: record.CardKey(card.Escalation.ID), Bytes: data}
	if card.Escalation.Bare || card.Escalation.State == care.StateClosed {
		named.Expires = now.Add(closedKept)
	}
	w.Named = []store.NamedWrite{named}
	if ev.Kind == care.StaffDid {
		row, err := record.AuditOf(ev.Staff, now).Named()
		if err != nil {
			return err
		}
		w.Named = append(w.Named, row)
	}
	if err := in.put(ctx, w); err != nil {
		return err
	}
	in.committed(ctx, card.Person, ev, change.Log)
	return in.deliver(ctx, card.Person, ev)
}

// closedKept is how long a card stays that is closed, or whose person was erased.
const closedKept = 30 * 24 * time.Hour
