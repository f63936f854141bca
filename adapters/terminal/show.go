package terminal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
	"turnstone/pictures"
)

// ErrElsewhere is the answer to a message for somebody who does not sit here.
// It stays due until they come.
var ErrElsewhere = errors.New("nobody else's messages are shown at this terminal")

// Keys lists the sentences that the terminal itself says.
func Keys() []care.SentenceKey {
	return []care.SentenceKey{
		"terminal.hint", "terminal.hint_several", "terminal.hint_words", "terminal.frame", "terminal.bye",
		"terminal.one", "terminal.long", "terminal.failed", "terminal.held",
	}
}

// Send shows a message. While the person types it comes on a new line, and
// the question where to type follows again.
func (s *Screen) Send(ctx context.Context, m outbox.Message) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case m.Address != s.house.Caller.Address:
		return fmt.Errorf("%w: item %s goes to another address", ErrElsewhere, m.ID)
	case s.shown[m.ID]:
		return nil
	case ctx.Err() != nil && !m.Card: // a card is shown even while the person leaves
		return ctx.Err()
	}
	if err := s.show(m); err != nil {
		return err
	}
	s.shown[m.ID] = true
	return nil
}

// CardNow shows the fixed emergency card.
func (s *Screen) CardNow(_ context.Context, c intake.Caller, event care.EventID) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.carded = true
	return s.show(outbox.Message{
		ID: care.ItemID("card-" + string(event)), Locale: s.locale, Text: s.Fixed(s.locale, c.Region), Card: true,
	})
}

// show writes a message, and where to type if that stood there before. The
// caller holds mu, here and below.
func (s *Screen) show(m outbox.Message) error {
	if m.Locale != "" {
		s.locale = m.Locale
	}
	s.last, s.hinted = m, false
	if s.answering && neutral(m) {
		if _, err := io.WriteString(s.out, s.look.wiped()); err != nil {
			return err
		}
	}
	return s.write(s.look.draw(s.page(m)))
}

// neutral reports whether m is the neutral screen, which offers nothing but
// to read on. As the answer to a line it means that the person asked to hide.
func neutral(m outbox.Message) bool {
	return m.Ask != nil && m.Ask.Kind == care.NextOf && len(m.Ask.Facts) == 0 && len(m.Ask.Choices) == 1
}

// page puts the words of the message together.
func (s *Screen) page(m outbox.Message) page {
	p := page{text: m.Text, question: question(m), card: m.Card}
	if m.Card {
		p.headline = s.own("terminal.frame")
	}
	if key := pictures.Words(m.Picture); m.Picture != "" && s.house.Book.Has(key) {
		p.picture = s.own(key)
	}
	if m.Ask != nil {
		for _, c := range m.Ask.Choices {
			p.choices = append(p.choices, c.Label)
		}
	}
	return p
}

// own words a sentence of the terminal. The start has checked that it is
// there; if it fails all the same, the message goes out without it.
func (s *Screen) own(key care.SentenceKey) string {
	text, err := s.house.Book.Text(s.locale, care.Sentence{Key: key})
	s.fault = errors.Join(s.fault, err)
	return text
}

// write writes a block after an empty line, and where to type again if the
// person was asked before it came.
func (s *Screen) write(block string) error {
	var b strings.Builder
	if s.waiting && s.look.echoed {
		b.WriteString("\n") // leave what they have begun to type on its own line
	}
	if s.began {
		b.WriteString("\n")
	}
	b.WriteString(block)
	s.began = true
	if s.waiting && !s.leaving {
		b.WriteString(s.prompt())
	}
	_, err := io.WriteString(s.out, b.String())
	return err
}

// prompt is one line on how to answer, once a message, and the mark.
func (s *Screen) prompt() string {
	var text string
	if key := hint(s.last.Ask); key != "" && !s.hinted {
		text = "\n" + paragraph(s.own(key), s.look.width()) + "\n"
	}
	s.hinted = true
	if s.look.marked {
		text += "> "
	}
	return text
}

func hint(ask *outbox.Ask) care.SentenceKey {
	switch {
	case ask == nil:
		return ""
	case len(ask.Choices) == 0:
		return "terminal.hint_words"
	case ask.Kind == care.AnyOf || ask.Kind == care.Several:
		return "terminal.hint_several"
	default:
		return "terminal.hint"
	}
}

// ready lets the person type.
func (s *Screen) ready() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.waiting, s.answering = true, false
	_, err := io.WriteString(s.out, s.prompt())
	return err
}

// begin takes the person's turn and returns the question they saw last.
func (s *Screen) begin() *outbox.Ask {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.waiting, s.answering, s.carded = false, true, false
	return s.last.Ask
}

// tell says a sentence of the terminal.
func (s *Screen) tell(key care.SentenceKey) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.write(paragraph(s.own(key), s.look.width()) + "\n")
}

// again shows the open question once more, without what came before it.
func (s *Screen) again() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.page(s.last)
	p.text, p.picture, s.hinted = short(s.last), "", false
	return s.write(s.look.draw(p))
}

// short is what a message asks: from its question on. A card and what is
// given to read are no shorter.
func short(m outbox.Message) string {
	if _, rest, found := strings.Cut(m.Text, question(m)); found && !m.Card {
		return question(m) + rest
	}
	return m.Text
}

// question is the line of a message that asks: the last with a question mark.
func question(m outbox.Message) string {
	if m.Ask == nil || m.Ask.Kind == care.NextOf {
		return ""
	}
	for _, line := range slices.Backward(strings.Split(m.Text, "\n")) {
		if strings.Contains(line, "?") {
			return line
		}
	}
	return ""
}

// held reports whether the fixed card went out for this line, and keeps the
// error until the person leaves.
func (s *Screen) held(err error) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.carded {
		s.fault = errors.Join(s.fault, err)
	}
	return s.carded
}
