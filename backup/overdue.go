package backup

import (
	"context"
	"fmt"
	"slices"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
)

// A Store is what handing over needs of one.
type Store interface {
	Load(ctx context.Context, person string) (store.Record, error)
	Commit(ctx context.Context, w store.Write) error
}

// handOver takes what is past due for a person off their agenda and gives
// staff one item instead. Nobody knows what they have been told or done since
// the backup: a message that is days late, or comes twice, could harm.
func handOver(ctx context.Context, s Store, person string, now time.Time) (bool, error) {
	was, err := s.Load(ctx, person)
	if err != nil || was.Bytes == nil {
		return false, err
	}
	r, err := record.Decode(was.Bytes)
	if err != nil {
		return false, err
	}
	taken, log := takeOff(&r.Episode, now)
	if len(taken) == 0 {
		return false, nil
	}
	told := tellStaff(&r.Episode, now)
	if told {
		e := r.Episode.Escalations[len(r.Episode.Escalations)-1]
		log = append(log, care.Line{
			Type: care.LineEscalation, At: now, Protocol: r.Episode.Protocol, ID: e.ID, What: e.What, Disposition: e.Disposition, Because: e.Because, Sensitive: e.Sensitive,
		})
	}
	w, err := record.Write(care.PersonID(person), was.Etag, record.Nonce(), r, log, now)
	if err != nil {
		return false, err
	}
	w.Lease = [2]time.Duration{} // nobody delivers yet
	return told, s.Commit(ctx, w)
}

// toStaff are the items that staff alone hear of, and forgetting: they are
// done late rather than not at all.
var toStaff = []string{care.DoRaise, care.DoAskStaff, care.DoFreeAgain, care.DoUnfinished, care.DoErase}

// takeOff removes the items that are past due and reach the person. The second
// list is staff's too, but its item also writes to the person: what is left of
// it is a card.
func takeOff(ep *care.Episode, now time.Time) (taken []care.Item, log []care.Line) {
	var stays []care.Item
	for _, it := range ep.Agenda {
		if record.Due(it).After(now) || slices.Contains(toStaff, it.What) {
			stays = append(stays, it)
			continue
		}
		taken = append(taken, it)
		log = append(log, care.Line{Type: care.LineDropped, At: now, Protocol: ep.Protocol, ID: string(it.ID), What: it.What})
		i := slices.IndexFunc(ep.Escalations, func(e care.Escalation) bool { return e.ID == it.About })
		if it.What == care.DoSecondList && i >= 0 && ep.Escalations[i].State == care.StateOpen {
			ep.Escalations = slices.Clone(ep.Escalations)
			ep.Escalations[i].SecondList = true
			stays = append(stays, raise(ep, it.About, now))
		}
	}
	ep.Agenda = stays
	return taken, log
}

func raise(ep *care.Episode, about string, now time.Time) care.Item {
	ep.Seq++
	return care.Item{ID: care.ItemID(fmt.Sprintf("%s-%d", ep.ID, ep.Seq)), What: care.DoRaise, Due: now, Urgent: true, About: about}
}

// tellStaff puts one item about the restore on the staff list, unless the
// person is being erased, or has not agreed to anything yet and is in no
// emergency: then staff may know nothing, and the question waits for them.
func tellStaff(ep *care.Episode, now time.Time) bool {
	if ep.Erasing || ep.Disposition < care.Emergency && !agreed(ep) {
		return false
	}
	ep.Seq++
	e := care.Escalation{
		ID: fmt.Sprintf("%s-%d", ep.ID, ep.Seq), What: care.AboutRestored, Disposition: max(ep.Disposition, care.Clinician),
		Because: ep.Because(), Sensitive: ep.Sensitive, Since: now, State: care.StateOpen,
	}
	e.Sensitive = e.Sensitive || slices.ContainsFunc(ep.Reasons, func(r care.Reason) bool { return r.Sensitive && !r.Settled })
	ep.Escalations = append(slices.Clone(ep.Escalations), e)
	ep.Agenda = append(ep.Agenda, raise(ep, e.ID, now))
	return true
}

// agreed tells whether the person said yes to being kept.
func agreed(ep *care.Episode) bool {
	for _, round := range ep.Rounds {
		if round.Facts.Get(consent).Latest() == care.Yes {
			return true
		}
	}
	return false
}

// consent is the fact that every protocol asks consent with.
const consent = care.Fact("consent")
