package discord

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"net"
	"sync"
	"time"
)

// What ends a connection before the library may see it.
var (
	errMoved   = errors.New("the platform asked to connect again before it said ready")
	errInvalid = errors.New("the platform does not know the session any more")
	errBroken  = errors.New("the gateway sent something that can't be read")
)

// A line is the connection of one gateway session: a net.Conn that reads the
// frames going by. The library has no read deadline, hangs for ever on a
// reconnect in place of READY, hides the close code, answers an invalid
// session wrongly, and ends the program on an event that holds a null where
// it expects none; the line sees to all five. What an event says goes to hear
// alone: the library gets its number, and of READY the session.
//
// A frame that can't be read ends the session: after the next READY the
// history is read, and with it what the frame may have held.
type line struct {
	patience time.Duration // how long to wait for a first word
	hear     func(kind string, raw json.RawMessage)

	mu      sync.Mutex
	conn    net.Conn
	beat    time.Duration // heartbeat interval, from HELLO
	ready   bool          // READY or RESUMED went by
	code    int           // of a close frame
	invalid bool          // the session is gone for good
	down    chan struct{} // rung when the library has closed the connection
}

func newLine(patience time.Duration, hear func(kind string, raw json.RawMessage)) *line {
	return &line{patience: patience, hear: hear, down: make(chan struct{}, 1)}
}

// dial connects, and watches what comes.
func (l *line) dial(d func(ctx context.Context, network, addr string) (net.Conn, error)) func(ctx context.Context, network, addr string) (net.Conn, error) {
	return func(ctx context.Context, network, addr string) (net.Conn, error) {
		c, err := d(ctx, network, addr)
		if err != nil {
			return nil, err
		}
		l.mu.Lock()
		l.conn, l.beat, l.ready, l.code, l.invalid = c, 0, false, 0, false
		l.mu.Unlock()
		return &watched{Conn: c, line: l, in: bufio.NewReader(c)}, nil
	}
}

// cut closes the connection under the library.
func (l *line) cut() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.conn == nil {
		return nil
	}
	return l.conn.Close()
}

// ended tells the close code and whether the session is gone.
func (l *line) ended() (code int, invalid bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.code, l.invalid
}

// deadline is when the next frame must have come. Every heartbeat is
// acknowledged, so that a line that is silent for one and a half intervals
// is dead.
func (l *line) deadline() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.beat == 0 || !l.ready {
		return time.Now().Add(l.patience)
	}
	return time.Now().Add(l.beat * 3 / 2)
}
