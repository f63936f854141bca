package discord

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"time"
)

// A watched connection hands the library whole messages (RFC 6455, 5.2 and
// 5.4) after the HTTP head.
type watched struct {
	net.Conn
	line *line
	in   *bufio.Reader
	head bool   // the HTTP head has gone by
	rest []byte // not read yet by the library
	part []byte // the beginning of a message that came in parts
}

// Read gives what was read, message by message.
func (w *watched) Read(p []byte) (int, error) {
	if len(w.rest) == 0 {
		if err := w.SetReadDeadline(w.line.deadline()); err != nil {
			return 0, err
		}
		var err error
		if w.head {
			w.rest, err = w.message()
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
		case len(head) > 1<<16:
			return nil, errors.New("the answer of the gateway has no end")
		case errors.Is(err, bufio.ErrBufferFull): // a long line
		case err != nil:
			return nil, err
		case bytes.HasSuffix(head, []byte("\n\r\n")), bytes.HasSuffix(head, []byte("\n\n")):
			w.head = true
			return head, nil
		}
	}
}

// longest bounds what one message may hold.
const longest = 64 << 20

// Kinds of frame. A text that comes in parts goes on in frames without a kind.
const (
	moreFrame  = 0
	textFrame  = 1
	closeFrame = 8 // from here on frames of control, which may come between parts

	longestControl = 125 // and never in parts
)

// message reads what the library is to see next: a frame of control as it is,
// or a whole text in one frame.
func (w *watched) message() ([]byte, error) {
	for {
		first, data, err := w.frame()
		if err != nil {
			return nil, err
		}
		kind, last := first&0x0f, first&0x80 != 0
		switch {
		case kind >= closeFrame && last && first&0x70 == 0 && len(data) <= longestControl:
			w.line.control(kind, data)
			return framed(first, data), nil
		case first&0x70 != 0, kind > textFrame, (kind == moreFrame) != (w.part != nil):
			w.line.gone()
			return nil, errBroken // none was asked for: pressed together, no text, or out of order
		}
		w.part = append(w.part, data...)
		if w.part == nil {
			w.part = []byte{} // begun, with nothing in it yet
		}
		if !last {
			continue
		}
		data, w.part = w.part, nil
		seen, err := w.line.look(data)
		if err != nil {
			return nil, err
		}
		if seen != nil {
			return framed(0x80|textFrame, seen), nil
		}
	}
}

// frame reads one frame. Those of a server carry no mask.
func (w *watched) frame() (first byte, data []byte, err error) {
	var head [10]byte
	if _, err := io.ReadFull(w.in, head[:2]); err != nil {
		return 0, nil, err
	}
	size := uint64(head[1] & 0x7f)
	if more := map[uint64]int{126: 2, 127: 8}[size]; more > 0 {
		at := head[2 : 2+more]
		if _, err := io.ReadFull(w.in, at); err != nil {
			return 0, nil, err
		}
		if size = uint64(binary.BigEndian.Uint16(at)); more == 8 {
			size = binary.BigEndian.Uint64(at)
		}
	}
	if head[1]&0x80 != 0 || size > longest-uint64(len(w.part)) {
		w.line.gone()
		return 0, nil, fmt.Errorf("%w: a frame of %d bytes", errBroken, size)
	}
	var body bytes.Buffer                                         // grows with what comes, whatever the frame says of itself
	if _, err := io.CopyN(&body, w.in, int64(size)); err != nil { //nolint:gosec // at most longest
		return 0, nil, err
	}
	return head[0], body.Bytes(), nil
}

// framed puts a payload into one frame.
func framed(first byte, data []byte) []byte {
	out := []byte{first}
	switch n := len(data); {
	case n < 126:
		out = append(out, byte(n))
	case n < 1<<16:
		out = binary.BigEndian.AppendUint16(append(out, 126), uint16(n)) //nolint:gosec // looked at
	default:
		out = binary.BigEndian.AppendUint64(append(out, 127), uint64(n)) //nolint:gosec // a length
	}
	return append(out, data...)
}

// Opcodes of the gateway.
const (
	opDispatch  = 0
	opReconnect = 7
	opInvalid   = 9
	opHello     = 10
	opAck       = 11
)

// An envelope is what every message of the gateway is in.
type envelope struct {
	Op   int             `json:"op"`
	Seq  int64           `json:"s"`
	Type string          `json:"t,omitempty"`
	Data json.RawMessage `json:"d,omitempty"`
}

// slowestBeat is the longest interval that a gateway may ask for.
const slowestBeat = time.Hour

// look reads a message and gives what the library may see of it: nothing, or
// only so much as it needs. One that would hang or end it ends the connection.
func (l *line) look(data []byte) ([]byte, error) {
	var e *envelope
	if err := json.Unmarshal(data, &e); err != nil || e == nil {
		l.gone()
		return nil, errors.Join(errBroken, err)
	}
	switch e.Op {
	case opDispatch:
		return l.event(e)
	case opHello:
		return data, l.hello(e.Data)
	case opInvalid:
		l.mu.Lock()
		l.invalid = string(e.Data) != "true"
		l.mu.Unlock()
		return nil, errInvalid
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case e.Op == opReconnect && !l.ready:
		return nil, errMoved
	case e.Op == opAck && !l.ready:
		return nil, nil
	}
	return data, nil
}

// event tells what happened, and leaves its number for the library.
func (l *line) event(e *envelope) ([]byte, error) {
	bare := envelope{Op: opDispatch, Seq: e.Seq}
	if e.Type == "READY" || e.Type == "RESUMED" {
		var ready struct {
			Session string `json:"session_id"`
		}
		if err := understood(e.Data, &ready); e.Type == "READY" && (err != nil || ready.Session == "") {
			l.gone()
			return nil, errors.Join(fmt.Errorf("%w: a session without a name", errBroken), err)
		}
		session, err := json.Marshal(ready)
		if err != nil {
			return nil, err
		}
		bare.Type, bare.Data = e.Type, session
		l.mu.Lock()
		l.ready = true
		l.mu.Unlock()
	}
	l.hear(e.Type, e.Data)
	return json.Marshal(bare)
}

// hello notes how often the gateway wants to hear that we are there. The
// library would end the program on an interval of nothing.
func (l *line) hello(raw json.RawMessage) error {
	var h struct {
		Interval int64 `json:"heartbeat_interval"`
	}
	err := json.Unmarshal(raw, &h)
	if err != nil || h.Interval <= 0 || h.Interval > slowestBeat.Milliseconds() {
		return errors.Join(fmt.Errorf("%w: a heartbeat interval of %d", errBroken, h.Interval), err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.beat = time.Duration(h.Interval) * time.Millisecond
	return nil
}

// control notes the code of a close.
func (l *line) control(kind byte, data []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if kind == closeFrame && len(data) >= 2 {
		l.code = int(binary.BigEndian.Uint16(data))
	}
}

// gone notes that the session must not be resumed: what can't be read would
// come again.
func (l *line) gone() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.invalid = true
}
