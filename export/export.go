// Package export gathers everything that is kept of one person: as data for
// another program, and as a page to read. It is the person's own copy, and
// leaves nothing out that is about them.
package export

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
)

// ErrNobody says that nothing is kept of that person.
var ErrNobody = errors.New("nothing is kept of that person")

// A Store is what an export needs of one.
type Store interface {
	Load(ctx context.Context, person string) (store.Record, error)
	Log(ctx context.Context, person string) ([][]byte, error)
	Kept(ctx context.Context, person string) ([]store.Kept, error)
	List(ctx context.Context, prefix string) ([]store.Named, error)
}

// A Document is everything that is kept of one person.
type Document struct {
	Made     time.Time         `json:"made"`
	Person   care.PersonID     `json:"person"`
	Record   record.Record     `json:"record"`
	Finished []Finished        `json:"finished,omitempty"` // earlier talks
	Log      []care.Line       `json:"log,omitempty"`
	Staff    []care.Escalation `json:"staff,omitempty"` // as they stand on the staff list
}

// A Finished talk is kept until its day.
type Finished struct {
	Until   time.Time    `json:"until"`
	Episode care.Episode `json:"episode"`
}

// Of gathers everything about person; ErrNobody if there is nothing.
func Of(ctx context.Context, s Store, person care.PersonID, now time.Time) (Document, error) {
	d := Document{Made: now.UTC(), Person: person}
	was, err := s.Load(ctx, string(person))
	if err != nil {
		return d, err
	}
	if was.Bytes == nil {
		return d, ErrNobody
	}
	if d.Record, err = record.Decode(was.Bytes); err != nil {
		return d, err
	}
	kept, err := s.Kept(ctx, string(person))
	if err != nil {
		return d, err
	}
	for _, k := range kept {
		r, err := record.Decode(k.Bytes)
		if err != nil {
			return d, err
		}
		d.Finished = append(d.Finished, Finished{k.Until, r.Episode})
	}
	lines, err := s.Log(ctx, string(person))
	if err != nil {
		return d, err
	}
	for _, raw := range lines {
		var l care.Line
		if err := json.Unmarshal(raw, &l); err != nil {
			return d, fmt.Errorf("%w: log line: %w", store.ErrDamaged, err)
		}
		d.Log = append(d.Log, l)
	}
	return d, d.staff(ctx, s)
}

func (d *Document) staff(ctx context.Context, s Store) error {
	cards, err := s.List(ctx, record.CardPrefix)
	if err != nil {
		return err
	}
	for _, n := range cards {
		c, err := record.DecodeCard(n.Bytes)
		if err != nil {
			return err
		}
		if c.Person == d.Person {
			d.Staff = append(d.Staff, c.Escalation)
		}
	}
	return nil
}

// JSON writes the document as data.
func (d Document) JSON(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(d)
}

// A Book has the sentences.
type Book interface {
	Has(key care.SentenceKey) bool
	Text(locale care.Locale, s care.Sentence) (string, error)
}

// Page writes the document as text to read, in the person's language as far as
// there are sentences for it.
func (d Document) Page(w io.Writer, book Book) error {
	p := page{book: book, locale: d.Record.Episode.Locale}
	p.line("%s  %s", d.Person, d.Made.Format(time.RFC3339))
	p.line("%s", d.Record.Address)
	p.episode(d.Record.Episode)
	for _, f := range d.Finished {
		p.line("")
		p.line("-- %s", f.Until.Format(time.DateOnly))
		p.episode(f.Episode)
	}
	for _, e := range d.Staff {
		p.line("")
		p.line("staff: %s, %s %s", e.What, e.State, e.By)
		for _, text := range []string{e.Phone, e.Outcome, e.Note} {
			if text != "" {
				p.line("  %s", text)
			}
		}
	}
	for _, l := range d.Log {
		p.line("%s  %s", l.At.Format(time.RFC3339), strings.Join(strings.Fields(fmt.Sprint(l.Type, " ", l.What, " ", l.Fact, " ", l.Value, " ", l.State, " ", l.By)), " "))
	}
	_, err := io.WriteString(w, p.b.String())
	return err
}

type page struct {
	b      strings.Builder
	book   Book
	locale care.Locale
}

func (p *page) line(format string, args ...any) { fmt.Fprintf(&p.b, format+"\n", args...) }

// Words are the first of keys that there is a sentence for, its first line;
// what has none stays as it is kept.
func Words(book Book, locale care.Locale, asKept string, keys ...string) string {
	for _, k := range keys {
		if !book.Has(care.SentenceKey(k)) {
			continue
		}
		if text, err := book.Text(locale, care.Sentence{Key: care.SentenceKey(k)}); err == nil {
			first, _, _ := strings.Cut(strings.TrimSpace(text), "\n")
			return first
		}
	}
	return asKept
}

// Said puts a question and what was answered into words, as far as there are
// sentences for them.
func Said(book Book, locale care.Locale, h *care.Held) (question, answers string) {
	var said []string
	for _, joined := range h.Values {
		for v := range strings.SplitSeq(joined, ",") {
			said = append(said, Words(book, locale, v, "label."+string(h.Fact)+"."+v, "label."+v))
		}
	}
	return Words(book, locale, string(h.Fact), "label."+string(h.Fact), "ask."+string(h.Fact)), strings.Join(said, ", ")
}

func (p *page) episode(ep care.Episode) {
	p.line("%s  %s  %s", ep.Opened.Format(time.RFC3339), ep.Protocol, ep.ID)
	p.line("%s", ep.Disposition)
	for _, round := range ep.Rounds {
		p.line("")
		p.line("%s  %s", round.Talk, round.At.Format(time.RFC3339))
		for _, h := range round.Facts {
			question, answers := Said(p.book, p.locale, h)
			p.line("  %s: %s", question, answers)
		}
	}
	for _, it := range ep.Agenda {
		p.line("%s  %s", it.Due.Format(time.RFC3339), it.What)
	}
}
