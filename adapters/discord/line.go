package discord

import (
	"bufio"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"
)

// What ends a connection before the library may see it.
var (
	errMoved   = errors.New("the platform asked to connect again before it said ready")
	errInvalid = errors.New("the platform does not know the session any more")
)

// A line is the connection of one gateway session: a net.Conn that reads the
// frames going by. The library has no read deadline, hangs for ever on a
// reconnect in place of READY, hides the close code and answers an invalid
// session wrongly; the line sees to all four.
type line struct {
	patience time.Duration // how long to wait for a first word

	mu      sync.Mutex
	conn    net.Conn
	beat    time.Duration // heartbeat interval, from HELLO
	ready   bool          // READY or RESUMED went by
	code    int           // of a close frame
	invalid bool          // the session is gone for good
	down    chan struct{} // rung when the library has closed the connection
}

func newLine(patience time.Duration) *line {
	return &line{patience: patience, down: make(chan struct{}, 1)}
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

// A watched connection hands the library whole frames (RFC 6455, 5.2) after
// the HTTP head.
type watched struct {
	net.Conn
	line *line
	in   *bufio.Reader
	head bool // the HTTP head has gone by
	rest []byte
}

// Read gives what was read, frame by frame.
func (w *watched) Read(p []byte) (int, error) {
	if len(w.rest) == 0 {
		if err := w.SetReadDeadline(w.line.deadline()); err != nil {
			return 0, err
		}
		var err error
		if w.head {
			w.rest, err = w.frame()
		} else {
			w.rest, err = w.header()
		}
		if err != nil {
			return 0, err
		}
	}
	n := copy(p, w.rest)
	w.rest = w.rest[n:]
	return n, nil
}

// header reads the answer to the upgrade, up to its empty line.
func (w *watched) header() ([]byte, error) {
	var head []byte
	for {
		text, err := w.in.ReadSlice('\n')
		head = append(head, text...)
		switch {
		case err != nil:
			return nil, err
		case len(text) <= 2:
			w.head = true
			return head, nil
		case len(head) > 1<<16:
			return nil, errors.New("the answer of the gateway has no end")
		}
	}
}

// longestFrame bounds what one frame may hold.
const longestFrame = 64 << 20

// Kinds of frame.
const (
	textFrame  = 1
	closeFrame = 8
)

// frame reads one frame and looks at it. Frames of a server carry no mask.
func (w *watched) frame() ([]byte, error) {
	for {
		raw := make([]byte, 2, 128)
		if _, err := io.ReadFull(w.in, raw); err != nil {
			return nil, err
		}
		size := uint64(raw[1] & 0x7f)
		if more := map[uint64]int{126: 2, 127: 8}[size]; more > 0 {
			raw = append(raw, make([]byte, more)...)
			if _, err := io.ReadFull(w.in, raw[2:]); err != nil {
				return nil, err
			}
			if size = uint64(binary.BigEndian.Uint16(raw[2:])); more == 8 {
				size = binary.BigEndian.Uint64(raw[2:])
			}
		}
		if raw[1]&0x80 != 0 || size > longestFrame {
			return nil, fmt.Errorf("the gateway sent a frame of %d bytes that can't be read", size)
		}
		at := len(raw)
		raw = append(raw, make([]byte, size)...)
		if _, err := io.ReadFull(w.in, raw[at:]); err != nil {
			return nil, err
		}
		drop, err := w.line.look(raw[0]&0x0f, raw[at:])
		if err != nil {
			return nil, err
		}
		if !drop {
			return raw, nil
		}
	}
}

// Opcodes of the gateway.
const (
	opDispatch  = 0
	opReconnect = 7
	opInvalid   = 9
	opHello     = 10
	opAck       = 11
)

// look notes what a frame tells. A frame that would hang the library is
// dropped, or ends the connection.
func (l *line) look(kind byte, data []byte) (drop bool, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if kind == closeFrame && len(data) >= 2 {
		l.code = int(binary.BigEndian.Uint16(data))
	}
	if kind != textFrame {
		return false, nil
	}
	var e struct {
		Op   int             `json:"op"`
		Type string          `json:"t"`
		Data json.RawMessage `json:"d"`
	}
	if err := json.Unmarshal(data, &e); err != nil {
		return false, nil //nolint:nilerr // the library says what is wrong with it
	}
	switch {
	case e.Op == opHello:
		var hello struct {
			Interval int `json:"heartbeat_interval"`
		}
		if json.Unmarshal(e.Data, &hello) == nil {
			l.beat = time.Duration(hello.Interval) * time.Millisecond
		}
	case e.Op == opInvalid:
		l.invalid = string(e.Data) != "true"
		return false, errInvalid
	case e.Op == opReconnect && !l.ready:
		return false, errMoved
	case e.Op == opAck && !l.ready:
		return true, nil
	case e.Op == opDispatch && (e.Type == "READY" || e.Type == "RESUMED"):
		l.ready = true
	}
	return false, nil
}
