package discord

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/staff"
)

// tellLooks tells once a week who looked at what, in the direct messages of
// those who may see what is sensitive. Where none of them can be reached the
// staff channel is told who looked, and of no item. What fails is told again:
// rather twice than never.
func (b *Bot) tellLooks(ctx context.Context) error {
	w, due, err := b.house.Desk.LooksToTell(ctx)
	if err != nil || !due {
		return err
	}
	channels, err := b.readers(ctx)
	if err != nil {
		return err
	}
	reached := 0
	var errs []error
	for _, channel := range channels {
		err := b.postLooks(ctx, channel, w.To, b.lookers(w)+b.lookedAt(w))
		if gone(err) {
			continue // somebody who takes no direct message
		}
		reached++
		errs = append(errs, err)
	}
	if reached == 0 {
		errs = append(errs, b.postLooks(ctx, b.set.Room, w.To, b.lookers(w)))
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("tell who looked: %w", err)
	}
	return b.house.Desk.Told(ctx, w.To)
}

func (b *Bot) postLooks(ctx context.Context, channel string, to time.Time, text string) error {
	for i, part := range split(strings.TrimSuffix(text, "\n"), mostText) {
		id := care.ItemID("looks-" + to.UTC().Format(time.RFC3339) + "-" + channel)
		if _, err := b.postTo(ctx, channel, posted{body: plain(part), Nonce: nonce(id, i), Enforce: true}, false); err != nil {
			return err
		}
	}
	return nil
}

// lookers words who looked, and how often.
func (b *Bot) lookers(w staff.Week) string {
	l := b.set.Locale
	var out strings.Builder
	key := "desk.looks"
	if len(w.Members) == 0 {
		key = "desk.looks_none"
	}
	fmt.Fprintf(&out, "**%s**\n%s – %s\n", escape(b.text(l, key)), stamp(w.From), stamp(w.To))
	for _, m := range w.Members {
		n := strconv.Itoa
		line := b.text(l, "desk.looks_by", "by", m.Name, "looks", n(m.Looks), "items", n(m.Items), "sensitive", n(m.Sensitive), "acted", n(m.Acted))
		if m.Acted == 0 {
			line += " " + b.text(l, "desk.looks_took_nothing")
		}
		fmt.Fprintf(&out, "%s\n", escape(line))
	}
	return out.String()
}

// lookedAt words which items were looked at, and by whom.
func (b *Bot) lookedAt(w staff.Week) string {
	var out strings.Builder
	for _, it := range w.Items {
		name := short(it.ID)
		if it.Sensitive {
			name += " (" + b.text(b.set.Locale, "desk.looks_sensitive") + ")"
		}
		var by []string
		for _, m := range it.By {
			by = append(by, m.Name+" "+strconv.Itoa(m.Looks))
		}
		fmt.Fprintf(&out, "%s\n", escape(name+": "+strings.Join(by, ", ")))
	}
	return out.String()
}
