package discord

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"turnstone/care"
)

// acted takes a press, a command or a field that was handed in. The first
// answer goes out beside everything else.
func (b *Bot) acted(i interaction) {
	user := i.who()
	if !user.ID.known() || i.Token == "" {
		b.log.Error("an interaction can't be answered", "kind", i.Type)
		return
	}
	r := &reply{id: string(i.ID), token: i.Token, born: b.set.Now(), server: string(i.GuildID), channel: string(i.Channel), held: i.Message, answered: make(chan struct{})}
	mark, rest, _ := strings.Cut(i.Data.CustomID, "|")
	if mark == staffMark && i.Type != command {
		if b.idle() {
			return
		}
		b.staffPressed(i, r, rest)
		return
	}
	first, j := b.asks(i, mark, rest)
	j.event, j.reply, j.locale, j.button = eventID(i.ID), r, i.Locale, i.Data.CustomID
	j.server, j.channel = r.server, r.channel
	danger := j.text != "" && b.house.Screen.Read(j.text, b.set.Locale).Sign != ""
	if b.idle() && !danger {
		return // whoever works answers it; else Discord says that it failed
	}
	r.waiting = first.Type == sayLater
	b.start(func() { b.answer(r, first) })
	t := b.take(string(user.ID))
	defer b.leave(t)
	t.mu.Lock()
	if i.GuildID != "" && first.Type != openModal {
		t.live = r
	}
	t.mu.Unlock()
	if j.do != nil {
		b.enqueue(string(user.ID), j, danger)
	}
}

// asks tells what an interaction asks for, and the first answer to it. What is
// not known any more is answered too.
func (b *Bot) asks(i interaction, mark, rest string) (first callback, j job) {
	first = callback{Type: sayLater}
	if i.GuildID != "" {
		first.Data = later{Flags: onlyYou}
	}
	cut := strings.LastIndexByte(rest, '|')
	switch {
	case i.Type == command && i.Data.Name == setupCommand:
		return first, job{do: func(ctx context.Context, t *talk, j job) error { return b.setUp(ctx, t, j, i) }}
	case i.Type == command, i.Type == pressed && i.Data.CustomID == openID:
		return first, job{do: b.opened}
	case i.Type == pressed && i.Data.CustomID == threadID:
		return first, job{do: b.askThread}
	case i.Type == pressed && i.Data.CustomID == threadYes:
		return callback{Type: changeLater}, job{do: b.openThread}
	case i.Type == pressed && mark == writeMark:
		return callback{Type: openModal, Data: b.field(i)}, job{}
	case i.Type == pressed && mark == answerMark && cut >= 0:
		return callback{Type: changeLater}, job{do: b.chosen, token: rest[:cut], values: []string{rest[cut+1:]}}
	case i.Type == pressed && mark == menuMark:
		return callback{Type: changeLater}, job{do: b.chosen, token: rest, values: i.Data.Values}
	}
	text := words(i.Data.Components)
	if i.Type != handedIn || mark != writeMark && text == "" {
		return first, job{do: b.oldButton}
	}
	if i.Message.ID != "" {
		first = callback{Type: changeLater}
	}
	if mark != writeMark {
		rest = "" // words count, whatever field they were typed into
	}
	return first, job{do: b.said, text: text, token: rest}
}

// field is a field to type in, for where typed words do not reach us.
func (b *Bot) field(i interaction) modal {
	l := b.localeOf(i.Locale)
	return modal{
		CustomID: i.Data.CustomID, Title: clip(b.text(l, "discord.modal"), 45),
		Parts: []label{{Type: 18, Label: clip(b.text(l, "discord.field"), 45), Part: input{Type: 4, CustomID: "words", Style: 2, Max: mostText, Required: true}}},
	}
}

// opened begins a talk, or shows where it stands: in a direct message if that
// can be.
func (b *Bot) opened(ctx context.Context, t *talk, j job) error {
	t.change(func(n *note) {
		n.Locale = b.localeOf(j.locale)
		switch {
		case j.server != "":
			n.Server = j.server
		default:
			n.Direct = j.channel
		}
		if n.Way == private {
			n.Way = direct // perhaps it can be now
		}
		n.Opening, n.Opened = string(j.event), b.set.Now()
		n.Last = cmp.Or(n.Last, j.reply.id) // what is written from here on is read, whoever listens
	})
	if err := b.save(ctx, t); err != nil {
		b.log.ErrorContext(ctx, "a talk begins without a note", "err", err)
	}
	if err := b.openedOnce(ctx, t, j); err != nil {
		return err
	}
	n := t.read()
	if n.Way == private || j.server == "" {
		return b.clear(ctx, j.reply)
	}
	return b.rewrite(ctx, j.reply, plain(b.text(n.Locale, "discord.in_direct"), rowOf(button{
		Type: 2, Style: linkButton, Label: b.text(n.Locale, "discord.to_direct"), URL: link(&n),
	})))
}

// openedOnce hands the beginning of a talk in, and notes that it need not be
// handed in again by whoever follows.
func (b *Bot) openedOnce(ctx context.Context, t *talk, j job) error {
	if t.read().Opening != string(j.event) {
		return nil // it was taken in meanwhile
	}
	err := b.hand(ctx, t, care.Event{ID: j.event, Kind: care.Opened})
	if err == nil {
		t.change(func(n *note) { n.Opening, n.Opened = "", time.Time{} })
	}
	return err
}

// link leads to where the talk goes on.
func link(n *note) string {
	if n.Way == thread {
		return "https://discord.com/channels/" + n.Server + "/" + n.Thread
	}
	return "https://discord.com/channels/@me/" + n.Direct
}

// chosen hands pressed choices in, then writes on the question how it was
// answered.
func (b *Bot) chosen(ctx context.Context, t *talk, j job) error {
	before := t.read()
	by := j.button + "|" + strings.Join(j.values, ",")
	was := before.about(j.token)
	late := j.token != was.Asked
	if late && was.Done == j.token && was.DoneBy == by {
		return nil // pressed twice: the first press counts, and its question is answered
	}
	if err := b.hand(ctx, t, care.Event{ID: j.event, Kind: care.Chose, Choices: j.values, Token: j.token}); err != nil {
		return err
	}
	if !late {
		t.change(func(n *note) {
			q := n.about(j.token)
			q.Done, q.DoneBy = j.token, by
		})
	}
	after := body{Content: j.reply.held.Content, Mentions: mentions{Parse: []string{}}, Rows: []row{}}
	if l := j.reply.held.labels(j.button, j.values); len(l) > 0 && !late {
		after.Content += "\n-# " + escape(b.text(before.Locale, "discord.answered", "answer", strings.Join(l, ", ")))
	}
	after.Content = clip(after.Content, mostText)
	b.answered(j.reply, after)
	return nil
}

// answered writes on a question how it was answered. The answer is kept by
// then, so that the time of its turn may be over: on a question that keeps its
// buttons somebody would press again.
func (b *Bot) answered(r *reply, shown any) {
	ctx, cancel := context.WithTimeout(b.base, cardTime)
	defer cancel()
	if err := b.rewrite(ctx, r, shown); err != nil {
		b.log.WarnContext(ctx, "an answered question keeps its buttons", "err", err)
	}
}

// stripped is a message without its buttons.
type stripped struct {
	Rows []row `json:"components"`
}

// stripAnswered takes the buttons off the questions that have given way to
// another since.
func (b *Bot) stripAnswered(before, after *note) {
	ctx, cancel := context.WithTimeout(b.base, cardTime)
	defer cancel()
	for _, q := range []struct{ was, is question }{{before.Own, after.Own}, {before.Other, after.Other}} {
		if q.was.Shown != "" && q.was.Asked != q.is.Asked {
			b.strip(ctx, after, q.was.Shown)
		}
	}
}

// strip takes the buttons off a message that was answered in words.
func (b *Bot) strip(ctx context.Context, n *note, id string) {
	err := b.client.do(ctx, call{
		route: route{name: "edit", major: n.channel()}, method: http.MethodPatch, path: "channels/" + n.channel() + "/messages/" + id, body: stripped{Rows: []row{}},
	}, nil)
	if err != nil {
		b.log.WarnContext(ctx, "an answered question keeps its buttons", "err", err)
	}
}

// oldButton answers what is not known any more.
func (b *Bot) oldButton(ctx context.Context, t *talk, j job) error {
	_, err := b.reply(ctx, j.reply, plain(b.text(b.localeOf(j.locale), "discord.old_button")))
	return err
}

// askThread says who can read a private thread, before there is one.
func (b *Bot) askThread(ctx context.Context, t *talk, j job) error {
	l := t.read().Locale
	_, err := b.reply(ctx, j.reply, plain(b.text(l, "discord.thread_ask"), rowOf(button{Type: 2, Style: plainButton, Label: b.text(l, "discord.thread_yes"), CustomID: threadYes})))
	return err
}

// privateThread is a thread that only who is put in sees, and moderators.
type privateThread struct {
	Name      string `json:"name"`
	Type      int    `json:"type"`
	Invitable bool   `json:"invitable"`
	Archive   int    `json:"auto_archive_duration"`
}

// openThread opens a private thread and goes on there.
func (b *Bot) openThread(ctx context.Context, t *talk, j job) error {
	n := t.read()
	id, err := b.newThread(ctx, j.channel, n.User)
	if err != nil {
		b.log.WarnContext(ctx, "a private thread can't be opened", "err", err)
		return b.rewrite(ctx, j.reply, plain(b.text(n.Locale, "discord.thread_failed")))
	}
	t.change(func(n *note) { n.Thread, n.Way, n.Server = id, thread, j.server })
	if err := b.save(ctx, t); err != nil {
		b.log.ErrorContext(ctx, "a talk goes on without a note", "err", err)
	}
	if err := b.hand(ctx, t, care.Event{ID: j.event, Kind: care.Opened}); err != nil {
		return err
	}
	n = t.read()
	return b.rewrite(ctx, j.reply, plain(b.text(n.Locale, "discord.thread_begun"), rowOf(button{
		Type: 2, Style: linkButton, Label: b.text(n.Locale, "discord.to_direct"), URL: link(&n),
	})))
}

func (b *Bot) newThread(ctx context.Context, channel, user string) (string, error) {
	var s sent
	err := b.client.do(ctx, call{
		route: route{name: "thread", major: channel}, method: http.MethodPost, path: "channels/" + channel + "/threads",
		body: privateThread{Name: "Turnstone", Type: 12, Archive: 10080},
	}, &s)
	if err != nil {
		return "", err
	}
	return s.ID, b.client.do(ctx, call{
		route: route{name: "member", major: s.ID}, method: http.MethodPut, path: "channels/" + s.ID + "/thread-members/" + user,
	}, nil)
}

// localeOf is the language of the house that fits what Discord tells.
func (b *Bot) localeOf(discord string) care.Locale {
	known := b.house.Book.Locales()
	base, _, _ := strings.Cut(discord, "-")
	for _, tag := range []string{discord, base} {
		if slices.Contains(known, care.Locale(tag)) {
			return care.Locale(tag)
		}
	}
	return b.set.Locale
}
