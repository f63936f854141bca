package discord

import (
	"context"
	"errors"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/safety"
	"turnstone/staff"
)

// A press is what somebody did with an item, before it is known who they are.
type press struct {
	*reply
	user   string
	event  care.EventID
	locale care.Locale
	do     string
	item   string
	fields map[string]string // of a form
	value  string            // of a menu
}

// filled are the acts that a form comes before.
var filled = []string{care.ActReply, care.ActClose, care.ActRaise, care.ActLower}

// staffPressed takes a press of staff. It never touches the talk that the same
// account may have: who works here may be hurt too.
func (b *Bot) staffPressed(i interaction, r *reply, rest string) {
	do, item, _ := strings.Cut(rest, "|")
	p := press{reply: r, user: string(i.who().ID), event: eventID(i.ID), locale: b.localeOf(i.Locale), do: do, item: item, fields: fields(i.Data.Components), value: strings.Join(i.Data.Values, "")}
	first := callback{Type: changeLater}
	switch {
	case !b.staffed():
		first = callback{Type: sayLater}
	case i.Type == pressed && slices.Contains(filled, do):
		b.start(func() { b.answer(r, callback{Type: openModal, Data: b.form(p.locale, do, item)}) })
		return // whether they may is looked at when it is handed in
	case do == pressLook, do == care.ActHandOn:
		first = callback{Type: sayLater}
	}
	if first.Type == sayLater && i.GuildID != "" {
		first.Data = later{Flags: onlyYou}
	}
	r.waiting = first.Type == sayLater
	b.start(func() { b.answer(r, first) })
	b.start(func() {
		ctx, cancel := context.WithTimeout(b.base, cardTime)
		defer cancel()
		if err := b.staffDoes(ctx, p); err != nil {
			b.log.ErrorContext(ctx, "a press of staff could not be done", "do", p.do, "err", err)
			if _, err := b.reply(ctx, r, plain(b.text(p.locale, "discord.failed"))); err != nil {
				b.log.WarnContext(ctx, "nor could they be told", "err", err)
			}
		}
	})
}

// staffDoes does what was pressed, and tells only who pressed when it can't be.
func (b *Bot) staffDoes(ctx context.Context, p press) error {
	if !b.staffed() {
		return b.tellPress(ctx, p, "discord.old_button")
	}
	desk := b.house.Desk
	m, err := desk.Members.By(ctx, platform, p.user)
	if errors.Is(err, staff.ErrNobody) {
		return b.tellPress(ctx, p, "desk.unknown")
	}
	if err != nil {
		return err
	}
	switch p.do {
	case pressLook:
		look, err := desk.Look(ctx, m, p.item)
		if err != nil {
			return b.refused(ctx, p, err)
		}
		return b.replyLong(ctx, p.reply, b.looked(p.locale, look))
	case care.ActHandOn:
		return b.askWho(ctx, p, m)
	case pressTo:
		err = desk.Do(ctx, m, care.StaffAct{Do: care.ActHandOn, ID: p.item, Event: p.event, To: p.value})
		if err != nil {
			return b.refused(ctx, p, err)
		}
		return b.rewrite(ctx, p.reply, plain(b.text(p.locale, "desk.passed", "by", p.value)))
	}
	act := care.StaffAct{Do: p.do, ID: p.item, Event: p.event, Text: p.fields["text"], Outcome: p.fields["outcome"], Note: p.fields["note"]}
	if to := p.fields["to"]; to != "" {
		if act.Disposition, err = care.ParseDisposition(to); err != nil {
			return err
		}
	}
	if err := desk.Do(ctx, m, act); err != nil {
		return b.refused(ctx, p, err)
	}
	return nil
}

// askWho offers those who could have an item.
func (b *Bot) askWho(ctx context.Context, p press, m staff.Member) error {
	others, err := b.house.Desk.Others(ctx, m, p.item)
	if err != nil {
		return b.refused(ctx, p, err)
	}
	if len(others) == 0 {
		return b.tellPress(ctx, p, "desk.nobody_else")
	}
	list := menu{Type: 3, CustomID: staffMark + "|" + pressTo + "|" + p.item, Min: 1, Max: 1, Placeholder: b.text(p.locale, "desk.pass_to")}
	for _, o := range others[:min(len(others), mostOptions)] {
		list.Options = append(list.Options, choice{Label: clip(named(o.Name, o.Role), mostLabel), Value: o.Name})
	}
	_, err = b.reply(ctx, p.reply, plain(b.text(p.locale, "desk.pass_to"), rowOf(list)))
	return err
}

// refused tells why something can't be done. Other faults are the house's own.
func (b *Bot) refused(ctx context.Context, p press, err error) error {
	switch {
	case errors.Is(err, staff.ErrMayNot):
		return b.tellPress(ctx, p, "desk.may_not")
	case errors.Is(err, safety.ErrStopped):
		return b.tellPress(ctx, p, "desk.words")
	case errors.Is(err, staff.ErrNote):
		return b.tellPress(ctx, p, "desk.note_missing")
	case !errors.Is(err, care.ErrStaff):
		return err
	}
	it, known, err := b.house.Desk.Item(ctx, p.item)
	switch {
	case err != nil:
		return err
	case known && !it.Sensitive && it.State == care.StateTaken:
		return b.tellPress(ctx, p, "desk.taken", "by", named(it.By, it.Role))
	case known && !it.Sensitive && it.State == care.StateClosed:
		return b.tellPress(ctx, p, "desk.is_closed")
	}
	return b.tellPress(ctx, p, "desk.cannot")
}

// tellPress says something to who pressed, and to nobody else.
func (b *Bot) tellPress(ctx context.Context, p press, key string, args ...string) error {
	_, err := b.reply(ctx, p.reply, plain(b.text(p.locale, key, args...)))
	return err
}

// replyLong replies in as many parts as the text needs.
func (b *Bot) replyLong(ctx context.Context, r *reply, text string) error {
	for _, part := range split(text, mostText) {
		if _, err := b.reply(ctx, r, body{Content: part, Flags: noPreviews, Mentions: mentions{Parse: []string{}}, Rows: []row{}}); err != nil {
			return err
		}
	}
	return nil
}

// tied takes a code that somebody sent in a direct message. What is no code,
// or no longer one, is taken as words.
func (b *Bot) tied(ctx context.Context, t *talk, j job) error {
	m, err := b.house.Desk.Members.Tie(ctx, platform, t.read().User, j.text)
	if errors.Is(err, staff.ErrCode) {
		return b.said(ctx, t, j)
	}
	if err != nil {
		return err
	}
	b.nudge() // sensitive items may have somebody to go to now
	p := posted{body: plain(b.text(t.read().Locale, "desk.tied", "by", m.Name)), Nonce: nonce(care.ItemID(j.event), 0), Enforce: true}
	_, err = b.postTo(ctx, j.channel, p, false)
	return err
}
