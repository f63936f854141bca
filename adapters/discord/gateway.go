package discord

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/bwmarrin/discordgo"
	"github.com/gorilla/websocket"
)

// ErrRefused is the end: Discord does not let this program in, and trying
// again changes nothing until somebody has changed something.
var ErrRefused = errors.New("the platform refuses this program")

// final says what to do about each close code that is final (Discord's
// documentation, "Gateway Close Event Codes").
var final = map[int]string{
	4004: "it does not take the token: make a new one on the application's page and put it in the token file",
	4010: "the shard is not valid: report this",
	4011: "the bot is in so many servers that it needs shards, which this version has not",
	4012: "the version of the gateway is not known any more: use a newer version of this program",
	4013: "the intents are not valid: report this",
	4014: "an intent is not allowed: switch on the message content intent on the application's page, or leave out --watch",
}

// Intents: interactions need none; direct messages bring typed words, guilds
// tell when the bot is put out of a server. Watching a channel needs two more.
const (
	intents      = discordgo.IntentGuilds | discordgo.IntentDirectMessages
	watchIntents = discordgo.IntentGuildMessages | discordgo.IntentMessageContent
)

// longestWait is the longest pause between two tries to connect.
const longestWait = 2 * time.Minute

// steady is how long a connection must have held for the pauses to begin anew.
const steady = time.Minute

// connect keeps one gateway session open until ctx is done, or until Discord
// says that it never will be.
func (b *Bot) connect(ctx context.Context) error {
	var s *discordgo.Session
	l := newLine(b.set.Patience, b.hear)
	wait := b.set.Retry
	for ctx.Err() == nil {
		if s == nil {
			l = newLine(b.set.Patience, b.hear)
			s = b.session(l)
		}
		began := time.Now()
		hung, err := b.hold(ctx, s, l)
		code, invalid := l.ended()
		if what, over := final[code]; over {
			return fmt.Errorf("%w (close code %d): %s", ErrRefused, code, what)
		}
		if r, refused := errors.AsType[*refusal](err); refused && r.status == 401 {
			return fmt.Errorf("%w (status 401): %s", ErrRefused, final[4004])
		}
		if ctx.Err() != nil {
			break
		}
		if hung || invalid || code == 4007 || code == 4009 {
			s = nil
		}
		if time.Since(began) > steady {
			wait = b.set.Retry
		}
		b.log.WarnContext(ctx, "the gateway was lost", "code", code, "anew", s == nil, "err", err)
		if err := pause(ctx, wait+rand.N(wait)); err != nil {
			break
		}
		wait = min(2*wait, longestWait)
	}
	return nil
}

// session is a fresh session of the library on the line.
func (b *Bot) session(l *line) *discordgo.Session {
	s := newSession(b.set.Token, b.transport)
	s.Dialer = &websocket.Dialer{NetDialContext: l.dial(dialer(b.transport.at != nil)), HandshakeTimeout: b.set.Patience}
	s.Identify.Intents = intents
	if b.set.Watch {
		s.Identify.Intents |= watchIntents
	}
	s.AddHandler(func(_ *discordgo.Session, _ *discordgo.Disconnect) {
		select {
		case l.down <- struct{}{}:
		default:
		}
	})
	return s
}

// settleTime lets a second close of the library pass that may follow the
// first: it would hit the next connection.
const settleTime = 50 * time.Millisecond

// hold opens the session and waits until it is closed. Hung says that the
// library came to no end and its session must not be used again.
func (b *Bot) hold(ctx context.Context, s *discordgo.Session, l *line) (hung bool, err error) {
	opened := make(chan error, 1)
	go func() { opened <- s.Open() }()
	limit := time.NewTimer(3 * b.set.Patience)
	defer limit.Stop()
	select {
	case err = <-opened:
	case <-limit.C:
		return b.abandon(l, opened)
	case <-ctx.Done():
		return b.abandon(l, opened)
	}
	if err != nil {
		return false, bare(err)
	}
	b.listens(true)
	defer b.listens(false)
	select {
	case <-l.down:
	case <-ctx.Done():
		return false, s.Close()
	}
	time.Sleep(settleTime)
	select {
	case <-l.down:
	default:
	}
	return false, nil
}

// abandonAfter is how long a session that is cut off may take to give up.
const abandonAfter = 2 * time.Second

var errHung = errors.New("opening the gateway came to no end")

// abandon cuts a session off while it opens. If it gives up, it may be used
// again.
func (b *Bot) abandon(l *line, opened <-chan error) (hung bool, err error) {
	cut := l.cut()
	select {
	case err := <-opened:
		return false, errors.Join(bare(err), cut)
	case <-time.After(abandonAfter):
		return true, errors.Join(errHung, cut)
	}
}
