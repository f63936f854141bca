package safety

import (
	"errors"
	"fmt"
	"strings"

	"turnstone/care"
)

// ErrStopped is what the gate answers for a sentence that must not go out.
var ErrStopped = errors.New("stopped at the gate")

// Gate is the last door: every sentence passes it twice, when it is put
// together and at the moment of sending, since what was right a minute ago
// may not be now. It knows the episode and the class of the sentence and
// nothing else; no setting switches it off.
//
//   - While an emergency is open, only the card, questions, information and
//     staff's own words go out; what protects or cares waits.
//   - Home care and reassurance go out at home only.
//   - Protecting text goes out below emergency, and after an emergency that
//     was closed.
func Gate(ep *care.Episode, class care.SentenceClass) error {
	home := ep.Disposition <= care.Home && !ep.Open
	switch class {
	case care.ClassDanger, care.ClassAsk, care.ClassInform, care.ClassStaff:
		return nil
	case care.ClassDisposition:
		return nil
	case care.ClassProtect:
		if ep.Open {
			return fmt.Errorf("%w: protecting text while an emergency is open", ErrStopped)
		}
		return nil
	case care.ClassHomeCare, care.ClassReassure:
		if !home || ep.Disposition == 0 {
			return fmt.Errorf("%w: %s text at %q", ErrStopped, class, ep.Disposition)
		}
		return nil
	default:
		return fmt.Errorf("%w: class %q is unknown", ErrStopped, class)
	}
}

// GateDisposition refuses a sentence that says less than the disposition in
// force: "look after it at home" to somebody who is to be seen today.
func GateDisposition(ep *care.Episode, key care.SentenceKey) error {
	name, ok := strings.CutPrefix(string(key), "disposition.")
	if !ok {
		return nil
	}
	name, _, _ = strings.Cut(name, ".")
	d, err := care.ParseDisposition(name)
	if err != nil {
		return fmt.Errorf("%w: %q names no disposition", ErrStopped, key)
	}
	if d < ep.Disposition {
		return fmt.Errorf("%w: %s was to be said at %s", ErrStopped, d, ep.Disposition)
	}
	return nil
}

// cardEnd stands at the end of every emergency card, and nowhere else.
const cardEnd = care.SentenceKey("card.no_write")

// GateCard refuses an emergency card without a way to get help: a number, or
// the list of known numbers.
func GateCard(m *care.Message) error {
	card, help := false, false
	for _, s := range m.Lines {
		card = card || s.Key == cardEnd
		help = help || s.Args["number"] != ""
	}
	if card && !help {
		return fmt.Errorf("%w: a card without a number", ErrStopped)
	}
	return nil
}

// Staff's own words, what stands below them, and the ways to help that may
// stand before them where the region is not known.
const (
	staffSays  = care.SentenceKey("staff.says")
	signature  = care.SentenceKey("signature")
	helpListed = care.SentenceKey("help.first.unknown")
)

// GateStaff refuses words of staff that nobody has signed, and, while danger is
// open, words that the way to help does not stand before.
func GateStaff(ep *care.Episode, m *care.Message) error {
	help := false
	for i, s := range m.Lines {
		help = help || s.Args["number"] != "" || s.Key == helpListed
		if s.Key != staffSays {
			continue
		}
		if i+1 == len(m.Lines) || m.Lines[i+1].Key != signature {
			return fmt.Errorf("%w: words of staff without the signature line", ErrStopped)
		}
		if ep.Open && !help {
			return fmt.Errorf("%w: words of staff before the way to help, while danger is open", ErrStopped)
		}
	}
	return nil
}

// A Door is the gate with what it needs to know: the class of each sentence,
// the words that nobody may write, and the numbers for the fixed card.
type Door struct {
	Class     func(care.SentenceKey) (care.SentenceClass, bool)
	Forbidden func(text string) (what string, found bool)
	Number    func(region string) (string, bool)
}

// Pass lets a message out or says why not.
func (d Door) Pass(ep *care.Episode, m *care.Message) error {
	for _, s := range m.Lines {
		class, ok := d.Class(s.Key)
		if !ok {
			return fmt.Errorf("%w: sentence %q has no class", ErrStopped, s.Key)
		}
		if err := Gate(ep, class); err != nil {
			return fmt.Errorf("sentence %q: %w", s.Key, err)
		}
		if err := GateDisposition(ep, s.Key); err != nil {
			return err
		}
	}
	return errors.Join(GateCard(m), GateStaff(ep, m))
}

// Lowered refuses a change that lowers a disposition without staff: their
// lowering settles the reasons above it.
func (d Door) Lowered(before, after *care.Episode) error {
	if after.Erasing || after.Disposition >= before.Disposition || after.ID != before.ID {
		return nil
	}
	for _, r := range after.Reasons {
		if r.To > after.Disposition && !r.Settled {
			return fmt.Errorf("%w: the disposition fell from %s to %s", ErrStopped, before.Disposition, after.Disposition)
		}
	}
	return nil
}

// Words looks at what staff write: a dose, or a verdict that only an X-ray
// can give, stops it until it is worded otherwise.
func (d Door) Words(text string) error {
	if what, found := d.Forbidden(text); found {
		return fmt.Errorf("%w: %q is a dose or a verdict on the bone; word it otherwise", ErrStopped, what)
	}
	return nil
}

// Fault tells the person that something went wrong, and how to get help.
func (d Door) Fault(region string) care.Sentence {
	if number, ok := d.Number(region); ok {
		return care.Sentence{Key: "fault", Args: map[string]string{"number": number}}
	}
	return care.Sentence{Key: "fault.unknown"}
}

// FixedCard is the emergency card that needs nothing but a number.
func (d Door) FixedCard(region string) care.Sentence {
	if number, ok := d.Number(region); ok {
		return care.Sentence{Key: "fault.card", Args: map[string]string{"number": number}}
	}
	return care.Sentence{Key: "fault.card.unknown"}
}
