package discord

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/staff"
	"turnstone/store"
)

// platform names Discord among the ties of staff.
const platform = "discord"

// A posting is what stands of one item in channels of staff, and what staff
// were called for last.
type posting struct {
	Posts []post           `json:"posts"`
	Asked int              `json:"asked,omitempty"`
	To    care.Disposition `json:"to,omitempty"`
	State string           `json:"state,omitempty"`
	Calls int              `json:"calls,omitempty"` // numbers the calls, for their nonces
}

type post struct {
	Channel string `json:"channel"`
	Message string `json:"message"`
	Shown   string `json:"shown"` // hash of what it shows
}

const postingPrefix = "discord/item/"

func (b *Bot) staffed() bool { return b.set.Room != "" && b.house.Desk != nil }

// nudge says that the list has changed.
func (b *Bot) nudge() {
	select {
	case b.raised <- struct{}{}:
	default: // it is known already
	}
}

// ErrRoom is a channel of staff that can't be read or written to.
var ErrRoom = errors.New("the staff channel can't be used")

// checkRooms looks at the start whether staff can be reached at all.
func (b *Bot) checkRooms(ctx context.Context) error {
	for _, id := range []string{b.set.Room, b.set.Second} {
		if id == "" {
			continue
		}
		err := b.client.do(ctx, call{route: route{name: "channel", major: id}, method: http.MethodGet, path: "channels/" + id}, nil)
		if r, ok := errors.AsType[*refusal](err); ok && r.status < 500 && r.status != http.StatusTooManyRequests {
			return fmt.Errorf("%w: %s: %w; copy its ID, and allow the bot to see it and to write there", ErrRoom, id, r)
		}
		if err != nil {
			return fmt.Errorf("look at the staff channel: %w", err)
		}
	}
	return nil
}

// roomEvery is how often the channels are held against the list without a
// change that is known of.
const roomEvery = 15 * time.Second

// keepRoom keeps what stands in the channels of staff as the list is: each item
// once, changed in place, and staff called where nobody has one. What fails is
// tried again.
func (b *Bot) keepRoom(ctx context.Context) error {
	tick := time.NewTicker(roomEvery)
	defer tick.Stop()
	for {
		if err := errors.Join(b.tidy(ctx), b.tellLooks(ctx)); err != nil && ctx.Err() == nil {
			b.log.ErrorContext(ctx, "the staff channel is not up to date", "err", err)
			if pause(ctx, b.set.Retry) == nil {
				b.nudge()
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-b.raised:
		case <-tick.C:
		}
	}
}

// tidy brings every item's posts up to date, the most urgent first. One that
// fails holds no other up.
func (b *Bot) tidy(ctx context.Context) error {
	cards, err := b.house.Store.List(ctx, record.CardPrefix)
	if err != nil {
		return err
	}
	known, err := b.house.Store.List(ctx, postingPrefix)
	if err != nil {
		return err
	}
	was := map[string]posting{}
	for _, v := range known {
		var p posting
		if err := json.Unmarshal(v.Bytes, &p); err != nil {
			return fmt.Errorf("%w: the posts of an item: %w", store.ErrDamaged, err)
		}
		was[strings.TrimPrefix(v.Key, postingPrefix)] = p
	}
	var items []staff.Item
	for _, v := range cards {
		c, err := record.DecodeCard(v.Bytes)
		if err != nil {
			return err
		}
		items = append(items, staff.ItemOf(c))
	}
	slices.SortFunc(items, func(a, b staff.Item) int {
		return cmp.Or(cmp.Compare(b.Disposition, a.Disposition), a.Since.Compare(b.Since))
	})
	var errs []error
	for _, it := range items {
		p, posted := was[it.ID]
		delete(was, it.ID)
		if it.State == care.StateClosed && !posted {
			continue // it was over before this channel was there
		}
		if err := b.show(ctx, it, p); err != nil {
			errs = append(errs, fmt.Errorf("item %s: %w", it.ID, err))
		}
	}
	for id, p := range was {
		if err := b.itemGone(ctx, id, p); err != nil {
			errs = append(errs, fmt.Errorf("item %s: %w", id, err))
		}
	}
	return errors.Join(errs...)
}

// show brings the posts of one item up to date, and calls staff where they are
// asked anew.
func (b *Bot) show(ctx context.Context, it staff.Item, p posting) error {
	before := p
	p.Posts = slices.Clone(p.Posts)
	places, err := b.places(ctx, it)
	if err != nil {
		return err
	}
	hidden := plain(b.text(b.set.Locale, "desk.hidden"))
	var errs []error
	for i := range p.Posts { // where it stood and may stand no more
		if !slices.Contains(places, p.Posts[i].Channel) {
			errs = append(errs, b.change(ctx, &p.Posts[i], hidden))
		}
	}
	full, reached := b.itemBody(it), 0
	for _, channel := range places {
		err := b.stand(ctx, it, &p, channel, full)
		if it.Sensitive && gone(err) {
			continue // somebody who takes no direct message
		}
		reached++
		errs = append(errs, err)
	}
	if reached == 0 {
		b.log.WarnContext(ctx, "a sensitive item reaches nobody: tie an account to somebody with the right for it, who takes direct messages", "item", it.ID)
		errs = append(errs, b.stand(ctx, it, &p, b.set.Room, hidden))
	}
	if key := called(it, before); key != "" && len(before.Posts) > 0 {
		p.Calls++
		errs = append(errs, b.call(ctx, it, p, places, key))
	}
	p.Asked, p.To, p.State = it.Asked, it.Disposition, it.State
	if err := errors.Join(errs...); err != nil {
		p.Asked, p.To, p.State, p.Calls = before.Asked, before.To, before.State, before.Calls // called again, under the same nonce
		return errors.Join(err, b.keepPosting(ctx, it.ID, before, p))
	}
	return b.keepPosting(ctx, it.ID, before, p)
}

// stand puts an item into a channel, or changes it there.
func (b *Bot) stand(ctx context.Context, it staff.Item, p *posting, channel string, shown body) error {
	i := slices.IndexFunc(p.Posts, func(o post) bool { return o.Channel == channel })
	if i >= 0 {
		return b.change(ctx, &p.Posts[i], shown)
	}
	id, err := b.postTo(ctx, channel, posted{body: shown, Nonce: nonce(care.ItemID(it.ID+"-"+channel), 0), Enforce: true}, it.Disposition >= care.Emergency)
	if err == nil {
		p.Posts = append(p.Posts, post{channel, id, hash(shown)})
	}
	return err
}

func (b *Bot) keepPosting(ctx context.Context, id string, before, p posting) error {
	if slices.Equal(before.Posts, p.Posts) && before.Asked == p.Asked && before.To == p.To && before.State == p.State && before.Calls == p.Calls {
		return nil
	}
	data, err := json.Marshal(p)
	if err != nil {
		return err
	}
	return b.house.Store.Put(context.WithoutCancel(ctx), postingPrefix+id, data, store.AnyEtag, time.Time{})
}

// called is the sentence by which staff are called: an edit makes no noise.
func called(it staff.Item, before posting) string {
	switch {
	case it.State == care.StateClosed:
		return ""
	case it.Disposition > before.To && before.To != 0:
		return "desk.rose"
	case it.State == care.StateOpen && before.State != care.StateOpen && before.State != "", it.Asked > before.Asked && it.State == care.StateOpen:
		if it.SecondList {
			return "desk.asked_second"
		}
		return "desk.asked"
	}
	return ""
}

// call calls staff below the item's own post.
func (b *Bot) call(ctx context.Context, it staff.Item, p posting, places []string, key string) error {
	var errs []error
	for _, o := range p.Posts {
		if !slices.Contains(places, o.Channel) {
			continue
		}
		c := plain(b.text(b.set.Locale, key))
		c.Content = "**" + escape(b.text(b.set.Locale, "desk.to."+it.Disposition.String())) + "** " + c.Content
		_, err := b.postTo(ctx, o.Channel, posted{
			body: c, Nonce: nonce(care.ItemID(it.ID+"-call-"+o.Channel), p.Calls), Enforce: true, About: &reference{Message: o.Message},
		}, it.Disposition >= care.Emergency)
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// places are the channels that an item stands in: the room, and the second
// list's when nobody took it in time. A sensitive one stands in the direct
// messages of those with the right alone.
func (b *Bot) places(ctx context.Context, it staff.Item) ([]string, error) {
	if !it.Sensitive {
		if it.SecondList && b.set.Second != "" {
			return []string{b.set.Room, b.set.Second}, nil
		}
		return []string{b.set.Room}, nil
	}
	return b.readers(ctx)
}

// readers are the direct messages of those who may see what is sensitive, as
// far as they take any.
func (b *Bot) readers(ctx context.Context) ([]string, error) {
	all, err := b.house.Desk.Members.All(ctx)
	if err != nil {
		return nil, err
	}
	var list []string
	for _, m := range all {
		account, tied := m.On(platform)
		if !tied || !m.Has(staff.See, staff.Sensitive) {
			continue
		}
		channel, err := b.openDirect(ctx, account, true)
		if gone(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		list = append(list, channel)
	}
	return list, nil
}

// change edits a post if it shows something else than it should. One that
// somebody has deleted is posted anew.
func (b *Bot) change(ctx context.Context, o *post, shown body) error {
	if o.Shown == hash(shown) {
		return nil
	}
	err := b.client.do(ctx, call{
		route: route{name: "edit", major: o.Channel}, method: http.MethodPatch, path: "channels/" + o.Channel + "/messages/" + o.Message, body: shown,
	}, nil)
	if refusedFor(err, codeUnknownMessage) {
		o.Message, err = b.postTo(ctx, o.Channel, posted{body: shown, Nonce: nonce(care.ItemID("anew-"+o.Message), 0), Enforce: true}, true)
	}
	if err == nil {
		o.Shown = hash(shown)
	}
	return err
}

func hash(shown body) string {
	data, err := json.Marshal(shown)
	if err != nil {
		panic(err) // strings, numbers and lists of them always can be
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:8])
}

// itemGone changes the posts of an item whose person was erased, or that was closed long ago.
func (b *Bot) itemGone(ctx context.Context, id string, p posting) error {
	var errs []error
	for i := range p.Posts {
		errs = append(errs, b.change(ctx, &p.Posts[i], plain(b.text(b.set.Locale, "desk.gone"))))
	}
	if err := errors.Join(errs...); err != nil && !gone(err) {
		return err
	}
	return b.house.Store.Delete(ctx, postingPrefix+id, store.AnyEtag)
}
