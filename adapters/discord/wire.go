package discord

import (
	"encoding/json"
	"errors"
	"iter"
	"maps"
	"regexp"
	"slices"
	"strings"
)

// What Discord sends, as far as it is read. Everything else in an event is
// passed over, and so is a field of another type than it should have, so that
// a field or a component of tomorrow breaks nothing.

// understood reads JSON into v. A field of another type than it should have
// stays empty, and the rest is read all the same.
func understood(raw []byte, v any) error {
	err := json.Unmarshal(raw, v)
	if _, odd := errors.AsType[*json.UnmarshalTypeError](err); odd {
		return nil
	}
	return err
}

// A snowflake is an ID of Discord: a number that grows with time, as text.
type snowflake string

// oddID is what is no ID. It is not empty: a server whose ID can't be read is
// a server all the same, where others read.
const oddID snowflake = "0"

// idForm is what may stand in the path of a call.
var idForm = regexp.MustCompile(`^[0-9A-Za-z_-]{0,32}$`)

// UnmarshalJSON never fails.
func (i *snowflake) UnmarshalJSON(raw []byte) error {
	text := strings.Trim(string(raw), `"`)
	switch {
	case text == "null":
	case idForm.MatchString(text):
		*i = snowflake(text)
	default:
		*i = oddID
	}
	return nil
}

// known reports whether there is an ID.
func (i snowflake) known() bool { return i != "" && i != oddID }

// A typed text is what somebody wrote. Where it comes as something else than
// text, it is every text in there.
type typed string

// UnmarshalJSON never fails.
func (t *typed) UnmarshalJSON(raw []byte) error {
	var v any
	err := json.Unmarshal(raw, &v)
	*t = typed(strings.Join(texts(v, nil), "\n"))
	return err
}

// texts appends every text in what was read.
func texts(v any, out []string) []string {
	switch v := v.(type) {
	case string:
		return append(out, v)
	case []any:
		for _, in := range v {
			out = texts(in, out)
		}
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			out = texts(v[k], out)
		}
	}
	return out
}

type account struct {
	ID  snowflake `json:"id"`
	Bot bool      `json:"bot"`
}

type message struct {
	ID          snowflake         `json:"id"`
	ChannelID   snowflake         `json:"channel_id"`
	GuildID     snowflake         `json:"guild_id"`
	Author      account           `json:"author"`
	Content     typed             `json:"content"`
	Edited      string            `json:"edited_timestamp"`
	Attachments []json.RawMessage `json:"attachments"`
	Stickers    []json.RawMessage `json:"sticker_items"`
	Forwarded   []struct {
		Message struct {
			Content typed `json:"content"`
		} `json:"message"`
	} `json:"message_snapshots"` // of a message that was passed on
}

// words are what somebody wrote, or passed on.
func (m *message) words() string {
	list := []string{string(m.Content)}
	for _, f := range m.Forwarded {
		list = append(list, string(f.Message.Content))
	}
	return strings.Join(trimmed(list...), "\n")
}

type interaction struct {
	ID      snowflake `json:"id"`
	App     snowflake `json:"application_id"`
	Token   string    `json:"token"`
	Type    int       `json:"type"`
	GuildID snowflake `json:"guild_id"`
	Channel snowflake `json:"channel_id"`
	Locale  string    `json:"locale"`
	User    account   `json:"user"`
	Member  struct {
		User        account `json:"user"`
		Permissions string  `json:"permissions"`
	} `json:"member"`
	Message heldMessage `json:"message"`
	Data    struct {
		Name       string      `json:"name"`
		CustomID   string      `json:"custom_id"`
		Values     []string    `json:"values"`
		Options    []option    `json:"options"`
		Components []component `json:"components"`
	} `json:"data"`
}

// A heldMessage is the message whose button was pressed.
type heldMessage struct {
	ID      snowflake `json:"id"`
	Content string    `json:"content"`
	Flags   int       `json:"flags"`
	Rows    []struct {
		Parts []struct {
			CustomID string   `json:"custom_id"`
			Label    string   `json:"label"`
			Options  []choice `json:"options"`
		} `json:"components"`
	} `json:"components"`
}

// labels are the words on what was pressed.
func (m *heldMessage) labels(id string, values []string) (out []string) {
	for _, r := range m.Rows {
		for _, p := range r.Parts {
			if p.CustomID != id {
				continue
			}
			if len(p.Options) == 0 {
				return []string{p.Label}
			}
			for _, o := range p.Options {
				if slices.Contains(values, o.Value) {
					out = append(out, o.Label)
				}
			}
		}
	}
	return out
}

type option struct {
	Name  string          `json:"name"`
	Value json.RawMessage `json:"value"`
}

// A component of a modal that was handed in: an old row of inputs or a label
// around one.
type component struct {
	CustomID   string      `json:"custom_id"`
	Value      typed       `json:"value"`
	Values     []typed     `json:"values"`
	Component  *component  `json:"component"`
	Components []component `json:"components"`
}

// parts are the components of a modal with all that is in them.
func parts(list []component) iter.Seq[*component] {
	return func(yield func(*component) bool) { walk(list, yield) }
}

func walk(list []component, yield func(*component) bool) bool {
	for i := range list {
		c := &list[i]
		if !yield(c) || !walk(c.Components, yield) || c.Component != nil && !walk([]component{*c.Component}, yield) {
			return false
		}
	}
	return true
}

// words are what was typed into a modal, line by line.
func words(list []component) string {
	var lines []string
	for c := range parts(list) {
		lines = append(lines, string(c.Value))
	}
	return strings.Join(trimmed(lines...), "\n")
}

// fields are what was filled in, by the IDs of the parts of a modal.
func fields(list []component) map[string]string {
	out := map[string]string{}
	for c := range parts(list) {
		if c.CustomID == "" {
			continue
		}
		chosen := make([]string, len(c.Values))
		for i, v := range c.Values {
			chosen[i] = string(v)
		}
		out[c.CustomID] = string(c.Value) + strings.Join(chosen, ",")
	}
	return out
}

// who pressed or wrote: in a server the account stands in the member.
func (i *interaction) who() account {
	if i.Member.User.ID.known() {
		return i.Member.User
	}
	return i.User
}

// setting is the text of an option of a command.
func (i *interaction) setting(name string) string {
	for _, o := range i.Data.Options {
		var text string
		if o.Name == name && json.Unmarshal(o.Value, &text) == nil {
			return text
		}
	}
	return ""
}

// Kinds of interaction.
const (
	pressed  = 3
	handedIn = 5
	command  = 2
)

// First answers to an interaction.
const (
	sayNow      = 4
	sayLater    = 5 // a waiting line, filled by the first edit
	changeLater = 6 // nothing is shown; the message may be edited
	openModal   = 9
)

// Flags of a message.
const (
	noPreviews = 1 << 2  // no previews of links
	onlyYou    = 1 << 6  // seen by one person only
	silent     = 1 << 12 // no notification
)

// A body is a message as it is sent.
type body struct {
	Content     string       `json:"content"`
	Rows        []row        `json:"components"`
	Flags       int          `json:"flags,omitempty"`
	Mentions    mentions     `json:"allowed_mentions"`
	Attachments []attachment `json:"attachments,omitempty"`

	picture []byte
}

// A posted body has a nonce: the same one sent again within some minutes is
// answered with the first message.
type posted struct {
	body
	Nonce   string     `json:"nonce"`
	Enforce bool       `json:"enforce_nonce"`
	About   *reference `json:"message_reference,omitempty"`
}

// A reference shows a message below the one that it is about, in one channel.
type reference struct {
	Message string `json:"message_id"`
	Missing bool   `json:"fail_if_not_exists"`
}

// mentions allows none: nobody is ever called by what is said here.
type mentions struct {
	Parse []string `json:"parse"`
}

type attachment struct {
	ID          string `json:"id"` // the number of its file in the form
	Filename    string `json:"filename"`
	Description string `json:"description"`
}

type row struct {
	Type  int   `json:"type"`
	Parts []any `json:"components"`
}

type button struct {
	Type     int    `json:"type"`
	Style    int    `json:"style"`
	Label    string `json:"label"`
	CustomID string `json:"custom_id,omitempty"`
	URL      string `json:"url,omitempty"`
}

// Styles of a button. No color tells urgency.
const (
	plainButton = 2
	mainButton  = 1
	linkButton  = 5
)

type menu struct {
	Type        int      `json:"type"`
	CustomID    string   `json:"custom_id"`
	Placeholder string   `json:"placeholder"`
	Min         int      `json:"min_values"`
	Max         int      `json:"max_values"`
	Options     []choice `json:"options"`
}

// A pick is a menu in a field to fill in.
type pick struct {
	Type     int      `json:"type"`
	CustomID string   `json:"custom_id"`
	Options  []choice `json:"options"`
	Required bool     `json:"required"`
}

type choice struct {
	Label string `json:"label"`
	Value string `json:"value"`
}

// A first answer to an interaction.
type callback struct {
	Type int `json:"type"`
	Data any `json:"data,omitempty"`
}

// A later is the only thing that a waiting line may say about itself.
type later struct {
	Flags int `json:"flags"`
}

type modal struct {
	CustomID string  `json:"custom_id"`
	Title    string  `json:"title"`
	Parts    []label `json:"components"`
}

type label struct {
	Type  int    `json:"type"`
	Label string `json:"label"`
	Part  any    `json:"component"`
}

type input struct {
	Type     int    `json:"type"`
	CustomID string `json:"custom_id"`
	Style    int    `json:"style"`
	Max      int    `json:"max_length"`
	Required bool   `json:"required"`
}

func rowOf(parts ...any) row { return row{Type: 1, Parts: parts} }
