package discord

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha1" //nolint:gosec // of a handshake
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/bwmarrin/discordgo"
	"github.com/gorilla/websocket"
)

// A tape is a connection that was recorded: it is read to its end.
type tape struct {
	net.Conn
	from io.Reader
}

func (t *tape) Read(p []byte) (int, error)      { return t.from.Read(p) }
func (t *tape) SetReadDeadline(time.Time) error { return nil }

// plays reads a recorded connection as the library would, and gives what went
// on to it, what was heard, and how it ended.
func plays(data []byte, head bool) (on []byte, heard []string, l *line, err error) {
	l = newLine(time.Second, func(kind string, raw json.RawMessage) { heard = append(heard, kind+" "+string(raw)) })
	w := &watched{Conn: &tape{from: bytes.NewReader(data)}, line: l, in: bufio.NewReader(bytes.NewReader(data)), head: head}
	on, err = io.ReadAll(w)
	return on, heard, l, err
}

func says(text string) []byte { return framed(0x80|textFrame, []byte(text)) }

const hello = `{"op":10,"d":{"heartbeat_interval":41250}}`

// What the library would fall over, hang on or lose is kept from it; what
// happened is heard all the same (RFC 6455, 5.2 to 5.5; Discord's
// documentation, "Gateway").
func TestFrames(t *testing.T) {
	ready := `{"op":0,"s":1,"t":"READY","d":{"session_id":"x","guilds":[null,{"channels":[null]}],"user":null}}`
	part := func(first byte, text string) []byte { return framed(first, []byte(text)) }
	for name, c := range map[string]struct {
		frames [][]byte
		heard  int
		broken bool
	}{
		"a beginning":                {[][]byte{says(hello), says(ready)}, 1, false},
		"an event with nulls":        {[][]byte{says(`{"op":0,"s":2,"t":"GUILD_CREATE","d":{"channels":[null],"members":[null]}}`)}, 1, false},
		"in parts":                   {[][]byte{part(1, ready[:20]), part(0, ready[20:40]), part(0x80, ready[40:])}, 1, false},
		"in parts, with a ping":      {[][]byte{part(1, ready[:20]), part(0x89, "hi"), part(0x80, ready[20:])}, 1, false},
		"nothing, in parts":          {[][]byte{part(1, ""), part(0x80, ready)}, 1, false},
		"large":                      {[][]byte{says(`{"op":0,"s":2,"t":"X","d":"` + strings.Repeat("y", 200_000) + `"}`)}, 1, false},
		"null":                       {[][]byte{says(`null`)}, 0, true},
		"no JSON":                    {[][]byte{says(`{"op":0`)}, 0, true},
		"an opcode that is text":     {[][]byte{says(`{"op":"0","t":"READY"}`)}, 0, true},
		"an interval of nothing":     {[][]byte{says(`{"op":10,"d":{"heartbeat_interval":0}}`)}, 0, true},
		"no interval":                {[][]byte{says(`{"op":10}`)}, 0, true},
		"an interval before now":     {[][]byte{says(`{"op":10,"d":{"heartbeat_interval":-9223372036854775808}}`)}, 0, true},
		"an interval of a century":   {[][]byte{says(`{"op":10,"d":{"heartbeat_interval":9223372036854775807}}`)}, 0, true},
		"a session without a name":   {[][]byte{says(`{"op":0,"s":1,"t":"READY","d":{}}`)}, 0, true},
		"more of nothing":            {[][]byte{part(0x80, ready)}, 0, true},
		"a beginning in a beginning": {[][]byte{part(1, ready[:20]), says(ready)}, 0, true},
		"pressed together":           {[][]byte{part(0xc1, ready)}, 0, true},
		"bytes":                      {[][]byte{part(0x82, ready)}, 0, true},
		"a ping in parts":            {[][]byte{part(0x09, "hi"), part(0x80, "")}, 0, true},
		"a long ping":                {[][]byte{part(0x89, strings.Repeat("x", 126))}, 0, true},
		"a mask":                     {[][]byte{{0x81, 0x82, 1, 2, 3, 4, 5, 6}}, 0, true},
		"too long to be":             {[][]byte{binary.BigEndian.AppendUint64([]byte{0x81, 127}, 1<<62)}, 0, true},
	} {
		on, heard, l, err := plays(bytes.Join(c.frames, nil), true)
		if len(heard) != c.heard || errors.Is(err, errBroken) != c.broken || err != nil && !c.broken && !errors.Is(err, io.EOF) {
			t.Errorf("%s: heard %d, ended with %v", name, len(heard), err)
		}
		if _, anew := l.ended(); c.broken && !anew && !strings.Contains(name, "interval") {
			t.Errorf("%s: the session is resumed, and it comes again", name)
		}
		library(t, on)
	}
	on, _, l, err := plays(bytes.Join([][]byte{says(`{"op":9,"d":true}`)}, nil), true)
	if _, anew := l.ended(); !errors.Is(err, errInvalid) || anew || len(on) > 0 {
		t.Errorf("an invalid session that may be resumed: %v", err)
	}
	if _, _, _, err := plays(says(`{"op":7}`), true); !errors.Is(err, errMoved) {
		t.Errorf("asked to move before ready: %v", err)
	}
	if _, _, l, _ := plays(framed(0x88, []byte{0x0f, 0xa4}), true); l.code != 4004 {
		t.Errorf("the close code is %d", l.code)
	}
}

// library takes what went on as discordgo does: the frames by gorilla's reader,
// each text into its own struct. It must find whole texts without masks, and
// of an event its number alone.
func library(t testing.TB, on []byte) {
	t.Helper()
	w := &watched{in: bufio.NewReader(bytes.NewReader(on)), line: newLine(time.Second, nil)}
	for {
		first, data, err := w.frame()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil || first&0x80 == 0 {
			t.Fatalf("the library gets a frame that begins with %x: %v", first, err)
		}
		if first&0x0f != textFrame {
			continue
		}
		var e *discordgo.Event
		if err := json.NewDecoder(bytes.NewReader(data)).Decode(&e); err != nil || e == nil {
			t.Fatalf("the library gets %q: %v", data, err)
		}
		if e.Operation == opDispatch && (e.Type != "" && e.Type != "READY" && e.Type != "RESUMED" || len(e.RawData) > 0 && strings.Contains(string(e.RawData), "guilds")) {
			t.Fatalf("the library gets an event: %q", data)
		}
	}
}

// The answer to the upgrade is read whatever its length, and given on as it is.
func TestTheHeadOfAConnection(t *testing.T) {
	long := "HTTP/1.1 101 Switching Protocols\r\nReport-To: " + strings.Repeat("x", 10_000) + "\r\n\r\n"
	on, heard, _, err := plays(append([]byte(long), says(`{"op":0,"s":7,"t":"A","d":1}`)...), false)
	if err != nil || !bytes.HasPrefix(on, []byte(long)) || fmt.Sprint(heard) != "[A 1]" {
		t.Errorf("%d bytes, heard %v: %v", len(on), heard, err)
	}
	if _, _, _, err := plays(bytes.Repeat([]byte("x"), 1<<17), false); err == nil {
		t.Error("a head without an end is read for ever")
	}
}

// gorilla's own reader, which the library uses, takes what went on.
func TestTheLibrarysReaderTakesWhatGoesOn(t *testing.T) {
	ours, theirs := net.Pipe()
	defer func() { _ = ours.Close() }()
	answered := make(chan error, 1)
	go func() {
		in := bufio.NewReader(theirs)
		key := ""
		for {
			text, err := in.ReadString('\n')
			if err != nil {
				answered <- err
				return
			}
			if k, ok := strings.CutPrefix(text, "Sec-WebSocket-Key: "); ok {
				key = strings.TrimSpace(k)
			}
			if text == "\r\n" {
				break
			}
		}
		head := "HTTP/1.1 101 Switching Protocols\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Accept: " + acceptKey(key) + "\r\n\r\n"
		_, err := theirs.Write(bytes.Join([][]byte{[]byte(head), says(hello), framed(1, []byte(`{"op":0,"s":5,"t":"MESSAGE_CREATE",`)), framed(0x80, []byte(`"d":{"content":"x"}}`))}, nil))
		answered <- err
	}()
	var heard []string
	l := newLine(time.Minute, func(kind string, raw json.RawMessage) { heard = append(heard, kind+string(raw)) })
	raw := &watched{Conn: ours, line: l, in: bufio.NewReader(ours)}
	d := websocket.Dialer{NetDialContext: func(context.Context, string, string) (net.Conn, error) { return raw, nil }}
	ws, resp, err := d.DialContext(t.Context(), "ws://gateway.example/", nil)
	if err != nil {
		t.Fatal(err)
	}
	if resp.Body != nil {
		defer func() { _ = resp.Body.Close() }()
	}
	for _, want := range []string{hello, `{"op":0,"s":5}`} {
		if _, got, err := ws.ReadMessage(); err != nil || string(got) != want {
			t.Errorf("it reads %q (%v), want %q", got, err, want)
		}
	}
	if err := <-answered; err != nil {
		t.Error(err)
	}
	if fmt.Sprint(heard) != `[MESSAGE_CREATE{"content":"x"}]` {
		t.Errorf("heard %q", heard)
	}
}

// acceptKey is the answer to a key (RFC 6455, 4.2.2).
func acceptKey(key string) string {
	sum := sha1.Sum([]byte(key + "258EAFA5-E914-47DA-95CA-C5AB0DC85B11")) //nolint:gosec // as the RFC says
	return base64.StdEncoding.EncodeToString(sum[:])
}

// Whatever bytes a gateway sends: nothing falls, no memory is taken for what
// never comes, and the library gets only what it can take.
func FuzzGateway(f *testing.F) {
	for _, frames := range [][][]byte{
		{says(hello), says(`{"op":0,"s":1,"t":"READY","d":{"session_id":"x","guilds":[null]}}`), says(`{"op":11}`), says(`{"op":1}`)},
		{framed(1, []byte(`{"op":0,`)), framed(0x89, nil), framed(0x80, []byte(`"t":"X"}`))},
		{says(`{"op":9,"d":false}`)},
		{says(`{"op":7}`)},
		{says(`null`)},
		{framed(0x88, []byte{3, 232})},
		{framed(0x88, nil)},
		{{0x81, 127, 0, 0, 0, 0, 3, 0, 0, 0}},
		{{0x81, 126, 255}},
		{{0x81}},
		{says(`{"op":10,"d":{"heartbeat_interval":1e99}}`)},
	} {
		f.Add(bytes.Join(frames, nil), true)
		f.Add(append([]byte("HTTP/1.1 101 x\r\n\r\n"), bytes.Join(frames, nil)...), false)
	}
	f.Fuzz(func(t *testing.T, data []byte, head bool) {
		on, _, _, _ := plays(data, head)
		if !head {
			if len(on) > 0 && !bytes.HasPrefix(data, on[:1]) {
				t.Errorf("%q became %q", data, on)
			}
			return
		}
		library(t, on)
	})
}
