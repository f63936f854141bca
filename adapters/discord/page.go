package discord

import (
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"unicode/utf16"

	"turnstone/care"
	"turnstone/outbox"
)

// Limits of a message (Discord's documentation, "Create Message" and
// "Component Reference"). What Discord calls a character is taken for a
// UTF-16 unit, the stricter reading.
const (
	mostText    = 2000
	mostLabel   = 80
	mostID      = 64 // our own: the least of any platform; Discord allows 100
	mostButtons = 5  // in a row
	mostOptions = 25
	mostAlt     = 1024
	mostNonce   = 25
)

// What a button does stands in the first letter of its ID.
const (
	answerMark = "a" // a|token|value
	menuMark   = "m" // m|token
	writeMark  = "w" // w|token, opens a field to type in
	staffMark  = "s" // s|what|item, of staff
	openID     = "open"
	threadID   = "thread"
	threadYes  = "thread|yes"
)

// Keys lists the sentences that this channel itself says.
func Keys() []care.SentenceKey {
	return append(staffWords(), []care.SentenceKey{
		"discord.card", "discord.answered", "discord.pick", "discord.pick_several", "discord.write_here", "discord.write", "discord.modal", "discord.field",
		"discord.open", "discord.pinned", "discord.pinned_number", "discord.in_direct", "discord.to_direct", "discord.private", "discord.thread", "discord.thread_ask",
		"discord.thread_yes", "discord.thread_begun", "discord.thread_failed", "discord.busy", "discord.failed", "discord.old_button",
		"discord.command", "discord.command_what", "discord.setup", "discord.setup_what", "discord.setup_zone", "discord.setup_region", "discord.setup_watch",
		"discord.set", "discord.pinned_only", "discord.set_unpinned", "discord.bad_zone", "discord.bad_region", "discord.not_allowed", "no_pictures",
	}...)
}

// pages turns a message into what is sent: as many parts as its words need,
// the question below the last. Closed says that words typed here do not reach
// us, so that a field to type in is offered.
func (b *Bot) pages(m outbox.Message, closed bool, w way) ([]posted, error) {
	text := escape(m.Text)
	if m.Card {
		text = "# " + b.text(m.Locale, "discord.card") + "\n**" + strings.ReplaceAll(text, "\n", "**\n**") + "**"
	}
	picture, alt := b.picture(m)
	if alt != "" && picture == nil {
		text += "\n" + escape(alt)
	}
	rows, hint, err := b.rows(m, closed, w)
	if err != nil {
		return nil, err
	}
	if hint != "" {
		text += "\n-# " + hint
	}
	var out []posted
	for i, part := range split(text, mostText) {
		p := posted{Nonce: nonce(m.ID, i), Enforce: true}
		p.Content, p.Flags, p.Mentions, p.Rows = part, noPreviews, mentions{Parse: []string{}}, []row{}
		out = append(out, p)
	}
	last := &out[len(out)-1]
	last.Rows = rows
	if picture != nil {
		last.picture = picture
		last.Attachments = []attachment{{ID: "0", Filename: pictureFile, Description: clip(alt, mostAlt)}}
	}
	return out, nil
}

// rows are the choices: buttons, or a menu where there are many or several may
// fit. A number or a typed word always works beside them.
func (b *Bot) rows(m outbox.Message, closed bool, w way) (rows []row, hint string, err error) {
	rows = []row{}
	if m.Ask == nil {
		return rows, "", nil
	}
	ask := m.Ask
	several := ask.Kind == care.AnyOf || ask.Kind == care.Several
	switch {
	case len(ask.Choices) == 0:
		hint = b.text(m.Locale, "discord.write_here")
	case several || len(ask.Choices) > mostButtons:
		menu, apart, err := b.menu(m, several)
		if err != nil {
			return nil, "", err
		}
		rows = append(rows, rowOf(menu))
		if len(apart) > 0 {
			rows = append(rows, rowOf(apart...))
		}
	default:
		var parts []any
		for _, c := range ask.Choices {
			parts = append(parts, answerButton(ask.Token, c))
		}
		rows = append(rows, rowOf(parts...))
	}
	if closed {
		write := button{Type: 2, Style: plainButton, Label: b.text(m.Locale, "discord.write"), CustomID: writeMark + "|" + ask.Token}
		parts := []any{write}
		if w == private {
			parts = append(parts, button{Type: 2, Style: plainButton, Label: b.text(m.Locale, "discord.thread"), CustomID: threadID})
		}
		rows = append(rows, rowOf(parts...))
		hint = ""
		if w == private {
			hint = b.text(m.Locale, "discord.private")
		}
	}
	return rows, hint, checkIDs(rows)
}

func answerButton(token string, c outbox.Choice) button {
	style := plainButton
	if c.Value == care.Next {
		style = mainButton
	}
	return button{Type: 2, Style: style, Label: clip(c.Label, mostLabel), CustomID: answerMark + "|" + token + "|" + c.Value}
}

// menu lists the choices. None and not sure stand below it as buttons, since
// they go with no other.
func (b *Bot) menu(m outbox.Message, several bool) (menu, []any, error) {
	key, most := "discord.pick", 1
	var apart []any
	list := menu{Type: 3, CustomID: menuMark + "|" + m.Ask.Token, Min: 1}
	for _, c := range m.Ask.Choices {
		if several && (c.Value == care.None || c.Value == care.Unsure) {
			apart = append(apart, answerButton(m.Ask.Token, c))
			continue
		}
		list.Options = append(list.Options, choice{Label: clip(c.Label, mostLabel), Value: c.Value})
	}
	if several {
		key, most = "discord.pick_several", len(list.Options)
	}
	list.Max, list.Placeholder = most, b.text(m.Locale, key)
	if len(list.Options) > mostOptions {
		return list, nil, fmt.Errorf("item %s has %d choices; a menu holds %d", m.ID, len(list.Options), mostOptions)
	}
	return list, apart, nil
}

// checkIDs holds every ID of a message against its length.
func checkIDs(rows []row) error {
	for _, r := range rows {
		for _, p := range r.Parts {
			id := ""
			switch p := p.(type) {
			case button:
				id = p.CustomID
			case menu:
				id = p.CustomID
			}
			if len(id) > mostID {
				return fmt.Errorf("the button ID %q has %d bytes; at most %d are allowed", id, len(id), mostID)
			}
		}
	}
	return nil
}

// pictureFile is the name under which a picture is sent: its own name would
// tell what it shows.
const pictureFile = "picture.png"

// picture finds the picture of a message, and the words that say what it
// shows. Where there is no picture the words are sent.
func (b *Bot) picture(m outbox.Message) (data []byte, alt string) {
	key := care.SentenceKey("picture." + m.Picture)
	if m.Picture == "" || !b.house.Book.Has(key) {
		return nil, ""
	}
	alt = b.text(m.Locale, string(key))
	if b.set.Pictures == nil {
		return nil, alt
	}
	data, err := fs.ReadFile(b.set.Pictures, m.Picture+".png")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		b.log.Error("a picture can't be read", "picture", m.Picture, "err", err)
	}
	return data, alt
}

// escape keeps Discord from taking words for its markup, a mention or a link.
func escape(text string) string {
	var out strings.Builder
	start := true
	for _, r := range text {
		if strings.ContainsRune("\\*_`~|<>[]@#", r) || start && strings.ContainsRune("-+", r) {
			out.WriteByte('\\')
		}
		out.WriteRune(r)
		start = r == '\n'
	}
	return strings.ReplaceAll(out.String(), "://", ":\u200b//")
}

// units counts a text as Discord does.
func units(s string) int {
	n := 0
	for _, r := range s {
		n += utf16.RuneLen(r)
	}
	return n
}

// cut parts a text after so many units.
func cut(s string, most int) (head, rest string) {
	n := 0
	for i, r := range s {
		if n += utf16.RuneLen(r); n > most {
			return s[:i], s[i:]
		}
	}
	return s, ""
}

// clip shortens a text to so many units.
func clip(s string, most int) string {
	if units(s) <= most {
		return s
	}
	head, _ := cut(s, most-1)
	return head + "…"
}

// split cuts a text at line ends into parts of so many units.
func split(text string, most int) []string {
	var parts []string
	part, left := "", most
	end := func() {
		if strings.TrimSpace(part) != "" { // Discord takes no empty message
			parts = append(parts, part)
		}
		part, left = "", most
	}
	for line := range strings.SplitSeq(text, "\n") {
		if part != "" && units(line)+1 > left {
			end()
		} else if part != "" {
			part, left = part+"\n", left-1
		}
		head, rest := cut(line, most)
		for rest != "" {
			part = head
			end()
			head, rest = cut(rest, most)
		}
		part, left = part+head, left-units(head)
	}
	end()
	if parts == nil {
		return []string{text}
	}
	return parts
}

func trimmed(list ...string) []string {
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

// nonce names a part of an item: the same part sent again has the same one.
func nonce(id care.ItemID, part int) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s/%d", id, part))
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum[:])[:mostNonce])
}
