package discord

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net"
	"net/http"
	"net/textproto"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"github.com/bwmarrin/discordgo"
)

// A refusal is Discord's "no" to a call.
type refusal struct {
	status int
	code   int // of Discord's own list, "Opcodes and Status Codes"
	text   string
	after  time.Duration
	global bool
}

func (r *refusal) Error() string {
	return fmt.Sprintf("Discord refused: status %d, code %d: %s", r.status, r.code, r.text)
}

// Codes of Discord ("Opcodes and Status Codes").
const (
	codeUnknownChannel     = 10003
	codeUnknownMessage     = 10008
	codeUnknownUser        = 10013
	codeUnknownInteraction = 10062
	codeAlreadyAnswered    = 40060
	codeMissingAccess      = 50001
	codeMissingPermissions = 50013
	codeBadToken           = 50027 // of a webhook: the interaction is over
	codeCannotMessage      = 50007
	codeNoMutualServer     = 50278
)

// refusedFor reports whether err is a refusal with one of the codes.
func refusedFor(err error, codes ...int) bool {
	r, ok := errors.AsType[*refusal](err)
	if !ok {
		return false
	}
	for _, c := range codes {
		if r.code == c {
			return true
		}
	}
	return false
}

// A client makes calls. Its session is never opened, so that a gateway that
// hangs holds no call up.
type client struct {
	session *discordgo.Session
	gate    *gate
	calls   chan string // keys of discordgo's own buckets that are free: it locks one during a call
	answers chan string // the same for first answers to interactions, so that they never wait behind a call
}

// How many calls run at once. A first answer has three seconds: as many run as
// may come in one of them, so that a slow platform makes none wait its turn.
const (
	callsAtOnce   = 32
	answersAtOnce = 256
)

func newClient(token string, t *transport, now func() time.Time) *client {
	c := &client{gate: newGate(now), calls: make(chan string, callsAtOnce), answers: make(chan string, answersAtOnce)}
	c.session = newSession(token, t)
	for i := range callsAtOnce {
		c.calls <- fmt.Sprint("call", i)
	}
	for i := range answersAtOnce {
		c.answers <- fmt.Sprint("answer", i)
	}
	return c
}

// newSession is a session of the library without what it must not do: keep a
// state, connect again by itself, wait and retry, or write logs.
func newSession(token string, t *transport) *discordgo.Session {
	s, err := discordgo.New("Bot " + token)
	if err != nil {
		panic(err) // New gives no error in this version; it only fills a struct
	}
	s.Client = &http.Client{Transport: t, Timeout: 20 * time.Second}
	s.StateEnabled, s.SyncEvents = false, true
	s.ShouldReconnectOnError, s.ShouldRetryOnRateLimit, s.MaxRestRetries = false, false, 0
	s.LogLevel = -1 // its logs may hold tokens
	s.Identify.Compress, s.Compress = false, false
	return s
}

// A call is one request.
type call struct {
	route
	method, path string
	body         any
	picture      []byte // sent beside the body
	first        bool   // the first answer to an interaction
}

// tries is how often a call is made before its caller is told.
const tries = 4

// do makes a call and reads the answer into out. What can be made good by
// waiting is tried again as long as the context allows.
func (c *client) do(ctx context.Context, k call, out any) error {
	var err error
	for n := range tries {
		if n > 0 {
			if err := pause(ctx, 100*time.Millisecond<<n); err != nil {
				return err
			}
		}
		if err = c.once(ctx, k, out); err == nil || !passing(err) || ctx.Err() != nil {
			return err
		}
	}
	return err
}

// passing reports whether a fault may be gone in a moment.
func passing(err error) bool {
	if errors.Is(err, errBusy) {
		return false
	}
	r, refused := errors.AsType[*refusal](err)
	return !refused || r.status == http.StatusTooManyRequests || r.status >= 500
}

func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

func (c *client) once(ctx context.Context, k call, out any) error {
	if err := c.gate.pass(ctx, k.route); err != nil {
		return err
	}
	free := c.calls
	if k.first {
		free = c.answers
	}
	var key string
	select {
	case <-ctx.Done():
		return ctx.Err()
	case key = <-free:
	}
	defer func() { free <- key }()
	data, kind, err := k.encode()
	if err != nil {
		return err
	}
	ctx = context.WithValue(ctx, listening{}, &listener{gate: c.gate, route: k.route})
	answer, err := c.session.RequestRaw(k.method, discordgo.EndpointAPI+k.path, kind, data, key, 0, discordgo.WithContext(ctx))
	if err != nil {
		return bare(err)
	}
	if out == nil || len(answer) == 0 {
		return nil
	}
	if err := json.Unmarshal(answer, out); err != nil {
		return fmt.Errorf("the answer to %s is not understood: %w", k.name, err)
	}
	return nil
}

// bare takes the address off an error: it may hold the token of an
// interaction.
func bare(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		return u.Err
	}
	return err
}

// encode puts the body, and a picture beside it, into bytes.
func (k call) encode() (data []byte, kind string, err error) {
	if k.body == nil {
		return nil, "", nil
	}
	if data, err = json.Marshal(k.body); err != nil || k.picture == nil {
		return data, "application/json", err
	}
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, part := range []struct {
		head string
		kind string
		data []byte
	}{
		{`form-data; name="payload_json"`, "application/json", data},
		{`form-data; name="files[0]"; filename="` + pictureFile + `"`, "image/png", k.picture},
	} {
		p, err := w.CreatePart(textproto.MIMEHeader{"Content-Disposition": {part.head}, "Content-Type": {part.kind}})
		if err != nil {
			return nil, "", err
		}
		if _, err := p.Write(part.data); err != nil {
			return nil, "", err
		}
	}
	if err := w.Close(); err != nil { // it writes the end of the form
		return nil, "", err
	}
	return b.Bytes(), w.FormDataContentType(), nil
}

// A listener hears the answer to one call; the library shows its caller too
// little of it.
type listener struct {
	gate  *gate
	route route
}

type listening struct{}

// A transport carries calls to Discord, or to a stand-in on this machine, and
// turns every answer that is no success into a refusal, so that the library
// has nothing to retry, to wait for or to misread.
type transport struct {
	at   *url.URL // the stand-in; nil is Discord
	base http.RoundTripper
	skew atomic.Int64 // how far our clock is before Discord's, as the last answer told, in nanoseconds
}

// mostAnswer is how many bytes of a refusal are read.
const mostAnswer = 1 << 16

// RoundTrip makes one request.
func (t *transport) RoundTrip(req *http.Request) (*http.Response, error) {
	if t.at != nil {
		req = req.Clone(req.Context())
		req.URL.Scheme, req.URL.Host, req.Host = t.at.Scheme, t.at.Host, t.at.Host
	}
	resp, err := t.base.RoundTrip(req)
	if err != nil {
		return nil, err
	}
	if date, err := http.ParseTime(resp.Header.Get("Date")); err == nil {
		t.skew.Store(int64(time.Since(date)))
	}
	l, heard := req.Context().Value(listening{}).(*listener)
	if heard {
		l.gate.heard(l.route, resp.StatusCode, resp.Header)
	}
	for name := range resp.Header {
		if strings.HasPrefix(name, "X-Ratelimit") {
			delete(resp.Header, name)
		}
	}
	if resp.StatusCode < 300 {
		return resp, nil
	}
	r := refused(resp)
	if heard && r.status == http.StatusTooManyRequests {
		l.gate.limited(l.route, r.after, r.global)
	}
	return nil, r
}

// refused reads a refusal. One that is not JSON comes from the edge of
// Discord's network and is about this machine's address: nothing more may go
// out for a while.
func refused(resp *http.Response) *refusal {
	data, err := io.ReadAll(io.LimitReader(resp.Body, mostAnswer))
	if closing := resp.Body.Close(); err == nil {
		err = closing
	}
	r := &refusal{status: resp.StatusCode, after: seconds(resp.Header.Get("Retry-After"))}
	var said struct {
		Code    int     `json:"code"`
		Message string  `json:"message"`
		After   float64 `json:"retry_after"`
		Global  bool    `json:"global"`
	}
	if err != nil || json.Unmarshal(data, &said) != nil {
		r.text, r.global = "the answer is no JSON", r.status == http.StatusTooManyRequests
		r.after = max(r.after, time.Second)
		return r
	}
	r.code, r.text, r.global = said.Code, said.Message, said.Global
	if said.After > 0 {
		r.after = span(said.After)
	}
	return r
}

// dialer connects to Discord; towards a stand-in only to this machine.
func dialer(standIn bool) func(ctx context.Context, network, addr string) (net.Conn, error) {
	d := &net.Dialer{Timeout: 10 * time.Second}
	return func(ctx context.Context, network, addr string) (net.Conn, error) {
		if standIn && !loopback(addr) {
			return nil, fmt.Errorf("the stand-in names %s, which is not on this machine", addr)
		}
		return d.DialContext(ctx, network, addr)
	}
}

func loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}
