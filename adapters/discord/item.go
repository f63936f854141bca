package discord

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/export"
	"turnstone/staff"
)

// What staff press, behind the mark of a button's ID. The rest are acts of
// package care.
const (
	pressLook = "look"
	pressTo   = "to" // the menu of who gets an item
)

// staffWords are the sentences of the staff channel.
func staffWords() []care.SentenceKey {
	keys := []care.SentenceKey{
		"desk.nobody", "desk.has", "desk.closed", "desk.since", "desk.hidden", "desk.gone", "desk.asked", "desk.asked_second", "desk.rose",
		"desk.look", "desk.pass_to", "desk.passed", "desk.nobody_else", "desk.unknown", "desk.may_not", "desk.taken", "desk.is_closed", "desk.cannot", "desk.words", "desk.note_missing",
		"desk.tied", "desk.because", "desk.times", "desk.where", "desk.phone", "desk.note", "desk.erased", "desk.no_answers", "desk.field_text", "desk.field_outcome", "desk.field_note", "desk.field_why", "desk.field_to", "desk.away",
		"desk.looks", "desk.looks_none", "desk.looks_by", "desk.looks_took_nothing", "desk.looks_sensitive",
	}
	for _, act := range care.Acts {
		keys = append(keys, care.SentenceKey("desk.act."+act))
	}
	for _, o := range care.Outcomes {
		keys = append(keys, care.SentenceKey("desk.outcome."+o))
	}
	for d := care.Home; d <= care.Ambulance; d++ {
		keys = append(keys, care.SentenceKey("desk.to."+d.String()))
	}
	for _, what := range []string{
		care.AboutDisposition, care.AboutHuman, care.AboutNotSeen, care.AboutNoReply, care.AboutCallBack, care.AboutLowerAsked, care.AboutTakenBack,
		care.AboutUnsafe, care.AboutRestored, care.AboutUnreachable,
	} {
		keys = append(keys, care.SentenceKey("desk.about."+what))
	}
	return keys
}

// short names an item where two look alike: four letters of its talk and its
// number there.
func short(id string) string {
	talk, n, _ := strings.Cut(id, "-")
	return strings.ToUpper(talk[:min(4, len(talk))]) + "-" + n
}

// stamp is a moment that Discord shows by the reader's own clock, and how long
// ago it was (its documentation, "Message Formatting").
func stamp(at time.Time) string { return fmt.Sprintf("<t:%d:f> (<t:%d:R>)", at.Unix(), at.Unix()) }

// headline says how urgent an item is, what it is about and which one it is:
// no account, and nothing that the person told.
func (b *Bot) headline(it staff.Item) string {
	l := b.set.Locale
	to, about := b.text(l, "desk.to."+it.Disposition.String()), b.text(l, "desk.about."+it.What)
	return "**" + escape(to) + "**\n" + escape(about+" · "+short(it.ID))
}

// named is somebody with what they are.
func named(by, role string) string {
	if role == "" {
		return by
	}
	return by + " (" + role + ")"
}

// itemBody is an item as it stands in a channel.
func (b *Bot) itemBody(it staff.Item) body {
	l := b.set.Locale
	var state string
	var rows []row
	press := func(style int, does ...string) {
		var parts []any
		for _, do := range does {
			key := "desk.act." + do
			if do == pressLook {
				key = "desk.look"
			}
			parts = append(parts, button{Type: 2, Style: style, Label: clip(b.text(l, key), mostLabel), CustomID: staffMark + "|" + do + "|" + it.ID})
			style = plainButton
		}
		rows = append(rows, rowOf(parts...))
	}
	switch it.State {
	case care.StateClosed:
		state = b.text(l, "desk.closed", "by", named(it.By, it.Role)) + " " + b.text(l, "desk.outcome."+it.Outcome)
		press(plainButton, pressLook, care.ActReopen)
	case care.StateTaken:
		state = b.text(l, "desk.has", "by", named(it.By, it.Role))
		press(plainButton, pressLook, care.ActReply, care.ActCallBack, care.ActClose)
		press(plainButton, care.ActHandOn, care.ActFree, care.ActRaise, care.ActLower)
	default:
		state = b.text(l, "desk.nobody")
		press(mainButton, care.ActTake, pressLook)
	}
	return body{
		Content: b.headline(it) + "\n" + escape(state) + "\n" + escape(b.text(l, "desk.since")) + " " + stamp(it.Since),
		Flags:   noPreviews, Mentions: mentions{Parse: []string{}}, Rows: rows,
	}
}

// looked words what somebody who looks at an item sees.
func (b *Bot) looked(l care.Locale, look staff.Look) string {
	book := b.house.Book
	var out strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&out, format+"\n", args...) }
	line("%s", b.headline(look.Item))
	var because []string
	for _, n := range look.Because {
		because = append(because, export.Words(book, l, n, "label."+n, "reason."+n))
	}
	if len(because) > 0 {
		line("**%s** %s", escape(b.text(l, "desk.because")), escape(strings.Join(because, "; ")))
	}
	if !look.InjuredAt.IsZero() || !look.Heard.IsZero() {
		line("**%s** %s · %s", escape(b.text(l, "desk.times")), moment(look.InjuredAt), moment(look.Heard))
	}
	line("**%s** %s · %s · %s", escape(b.text(l, "desk.where")), escape(look.Region), escape(look.Zone), escape(string(look.Locale)))
	if look.Phone != "" {
		line("**%s** %s", escape(b.text(l, "desk.phone")), escape(look.Phone))
	}
	if look.Note != "" {
		line("**%s** %s", escape(b.text(l, "desk.note")), escape(look.Note))
	}
	switch {
	case look.Bare:
		line("%s", escape(b.text(l, "desk.erased")))
	case len(look.Answers) == 0:
		line("%s", escape(b.text(l, "desk.no_answers")))
	}
	for _, h := range look.Answers {
		question, answers := export.Said(book, l, &h)
		line("%s: %s", escape(question), escape(answers))
	}
	return strings.TrimSuffix(out.String(), "\n")
}

func moment(at time.Time) string {
	if at.IsZero() {
		return "–"
	}
	return stamp(at)
}

// form is what is filled in before an act: words, a reason, an outcome.
func (b *Bot) form(l care.Locale, do, item string) modal {
	text := func(key, id string, required bool) label {
		return label{Type: 18, Label: clip(b.text(l, key), mostTitle), Part: input{Type: 4, CustomID: id, Style: 2, Max: mostWords, Required: required}}
	}
	choose := func(key, id, prefix string, values ...string) label {
		p := pick{Type: 3, CustomID: id, Required: true}
		for _, v := range values {
			p.Options = append(p.Options, choice{Label: clip(b.text(l, prefix+v), mostLabel), Value: v})
		}
		return label{Type: 18, Label: clip(b.text(l, key), mostTitle), Part: p}
	}
	m := modal{CustomID: staffMark + "|" + do + "|" + item, Title: clip(b.text(l, "desk.act."+do)+" · "+short(item), mostTitle)}
	switch do {
	case care.ActReply:
		m.Parts = []label{text("desk.field_text", "text", true)}
	case care.ActClose:
		m.Parts = []label{choose("desk.field_outcome", "outcome", "desk.outcome.", care.Outcomes...), text("desk.field_note", "note", false)}
	case care.ActRaise:
		m.Parts = []label{choose("desk.field_to", "to", "desk.to.", dispositions(care.Clinician, care.Ambulance)...), text("desk.field_why", "note", true)}
	case care.ActLower:
		m.Parts = []label{choose("desk.field_to", "to", "desk.to.", dispositions(care.Home, care.Emergency)...), text("desk.field_why", "note", true)}
	}
	return m
}

func dispositions(from, to care.Disposition) (out []string) {
	for d := from; d <= to; d++ {
		out = append(out, d.String())
	}
	return out
}

// Limits of a form (Discord's documentation, "Component Reference"), and how
// much staff may write at once: it goes out in one message.
const (
	mostTitle = 45
	mostWords = 1000
)

// TellAway tells staff of a time in which nobody was answered.
func (b *Bot) TellAway(ctx context.Context, from, to time.Time, midTalk int) error {
	if !b.staffed() {
		return nil
	}
	l := b.set.Locale
	p := posted{body: plain(b.text(l, "desk.away", "minutes", strconv.Itoa(int(to.Sub(from).Minutes())), "talks", strconv.Itoa(midTalk))), Enforce: true}
	p.Nonce = nonce(care.ItemID("away-"+from.UTC().Format(time.RFC3339Nano)), 0)
	p.Content += "\n" + stamp(from) + " – " + stamp(to)
	_, err := b.postTo(ctx, b.set.Room, p, true)
	return err
}
