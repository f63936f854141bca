package double

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"
	"unicode/utf16"
)

// A Message as it stands in a channel.
type Message struct {
	ID, Channel, Server, Author, Content string
	For                                  string // the only account that sees it
	Rows                                 []Row
	Flags                                int
	Nonce                                string
	Enforce                              bool
	Alt                                  []string // what is said of its pictures
	Waiting, Pinned                      bool
	Repeats                              int    // how often it was sent again
	About                                string // the message of the channel that it is shown below
	At                                   time.Time

	hasContent, hasRows bool
}

// A Row holds parts.
type Row struct {
	Type  int    `json:"type"`
	Parts []Part `json:"components"`
}

// A Part is a button or a menu.
type Part struct {
	Type        int      `json:"type"`
	Style       int      `json:"style,omitempty"`
	Label       string   `json:"label,omitempty"`
	CustomID    string   `json:"custom_id,omitempty"`
	URL         string   `json:"url,omitempty"`
	Placeholder string   `json:"placeholder,omitempty"`
	Min         *int     `json:"min_values,omitempty"`
	Max         *int     `json:"max_values,omitempty"`
	Options     []Option `json:"options,omitempty"`
}

// An Option of a menu.
type Option struct {
	Label string `json:"label"`
	Value string `json:"value"`
}

func (m *Message) json() any {
	out := map[string]any{
		"id": m.ID, "channel_id": m.Channel, "content": m.Content, "flags": m.Flags, "components": m.Rows, "timestamp": m.At.Format(time.RFC3339),
		"author": map[string]any{"id": m.Author, "bot": m.Author == Self}, "attachments": []any{},
	}
	if m.Server != "" {
		out["guild_id"] = m.Server
	}
	return out
}

func (m *Message) take(next *Message) {
	if next.hasContent {
		m.Content = next.Content
	}
	if next.hasRows {
		m.Rows = next.Rows
	}
}

func units(s string) int { return len(utf16.Encode([]rune(s))) }

func between(what, s string, least, most int) error {
	if n := units(s); n < least || n > most {
		return fmt.Errorf("%s has %d characters, not %d to %d", what, n, least, most)
	}
	return nil
}

// strict reads JSON and refuses what it does not know.
func strict(data []byte, v any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	return d.Decode(v)
}

// checkMessage holds a message against the platform's limits.
func checkMessage(data []byte, edit bool) (*Message, error) {
	var in struct {
		Content  *string `json:"content"`
		Rows     *[]Row  `json:"components"`
		Flags    int     `json:"flags"`
		Nonce    string  `json:"nonce"`
		Enforce  bool    `json:"enforce_nonce"`
		Mentions *struct {
			Parse []string `json:"parse"`
		} `json:"allowed_mentions"`
		About struct {
			Message string `json:"message_id"`
			Missing *bool  `json:"fail_if_not_exists"`
		} `json:"message_reference"`
		Attachments []struct {
			ID          string `json:"id"`
			Filename    string `json:"filename"`
			Description string `json:"description"`
		} `json:"attachments"`
	}
	if err := strict(data, &in); err != nil {
		return nil, err
	}
	m := &Message{Flags: in.Flags, Nonce: in.Nonce, Enforce: in.Enforce, About: in.About.Message}
	var errs []error
	if edit && m.About != "" {
		errs = append(errs, errors.New("an edit can't change what a message is about"))
	}
	if m.hasContent = in.Content != nil; m.hasContent {
		m.Content = *in.Content
		errs = append(errs, between("content", m.Content, 0, 2000))
	}
	if m.hasRows = in.Rows != nil; m.hasRows {
		m.Rows = *in.Rows
		errs = append(errs, checkRows(m.Rows))
	}
	if !edit && m.Content == "" {
		errs = append(errs, errors.New("an empty message"))
	}
	if m.hasContent && (in.Mentions == nil || len(in.Mentions.Parse) > 0) {
		errs = append(errs, errors.New("somebody could be mentioned"))
	}
	errs = append(errs, between("nonce", in.Nonce, 0, 25))
	for _, a := range in.Attachments {
		errs = append(errs, between("alternative text", a.Description, 1, 1024))
		m.Alt = append(m.Alt, a.Description)
	}
	if in.Flags&^(1<<2|1<<6|1<<12) != 0 {
		errs = append(errs, fmt.Errorf("flags %d", in.Flags))
	}
	return m, errors.Join(errs...)
}

// checkRows: 5 rows of 5 buttons or one menu; each ID once in a message.
func checkRows(rows []Row) error {
	var errs []error
	ids := map[string]bool{}
	if len(rows) > 5 {
		errs = append(errs, fmt.Errorf("%d rows", len(rows)))
	}
	for _, r := range rows {
		if r.Type != 1 || len(r.Parts) == 0 || len(r.Parts) > 5 {
			errs = append(errs, fmt.Errorf("a row of type %d with %d parts", r.Type, len(r.Parts)))
		}
		for _, p := range r.Parts {
			if p.Style == 5 {
				errs = append(errs, between("link", p.URL, 1, 512), between("label", p.Label, 1, 80))
				continue
			}
			errs = append(errs, between("custom_id", p.CustomID, 1, 100))
			if len(p.CustomID) > 64 { // our own promise, stricter than the platform's 100
				errs = append(errs, fmt.Errorf("custom_id of %d bytes", len(p.CustomID)))
			}
			if ids[p.CustomID] {
				errs = append(errs, fmt.Errorf("custom_id %q twice", p.CustomID))
			}
			ids[p.CustomID] = true
			switch {
			case p.Type == 2 && p.Style >= 1 && p.Style <= 4:
				errs = append(errs, between("label", p.Label, 1, 80))
			case p.Type == 3 && len(r.Parts) == 1:
				errs = append(errs, p.menu())
			default:
				errs = append(errs, fmt.Errorf("a part of type %d, style %d", p.Type, p.Style))
			}
		}
	}
	return errors.Join(errs...)
}

func (p Part) menu() error {
	errs := []error{between("placeholder", p.Placeholder, 0, 150)}
	if n := len(p.Options); n == 0 || n > 25 || p.Min == nil || p.Max == nil || *p.Min > *p.Max || *p.Max > n {
		errs = append(errs, fmt.Errorf("a menu of %d options", n))
	}
	values := map[string]bool{}
	for _, o := range p.Options {
		errs = append(errs, between("option", o.Label, 1, 100), between("value", o.Value, 1, 100))
		if values[o.Value] {
			errs = append(errs, fmt.Errorf("value %q twice", o.Value))
		}
		values[o.Value] = true
	}
	return errors.Join(errs...)
}

// checkCallback: a waiting line may say only who sees it; a modal has a title
// of 45 characters and 1 to 5 labels.
func checkCallback(kind int, data []byte) error {
	switch kind {
	case 4, 7:
		_, err := checkMessage(data, kind == 7)
		return err
	case 5:
		var d struct {
			Flags int `json:"flags"`
		}
		if len(data) == 0 {
			return nil
		}
		if err := strict(data, &d); err != nil || d.Flags&^64 != 0 {
			return fmt.Errorf("a waiting line with %s", data)
		}
	case 9:
		_, err := readForm(data)
		return err
	}
	return nil
}

var commandName = regexp.MustCompile(`^[-_'\p{L}\p{N}]{1,32}$`)

// checkCommands: names in small letters, descriptions of 1 to 100 characters.
func checkCommands(data []byte) error {
	var list []struct {
		Name  string            `json:"name"`
		Names map[string]string `json:"name_localizations"`
		What  string            `json:"description"`
		Whats map[string]string `json:"description_localizations"`
	}
	if err := json.Unmarshal(data, &list); err != nil {
		return err
	}
	var errs []error
	for _, c := range list {
		for _, n := range append([]string{c.Name}, values(c.Names)...) {
			if !commandName.MatchString(n) || n != strings.ToLower(n) {
				errs = append(errs, fmt.Errorf("command name %q", n))
			}
		}
		for _, d := range append([]string{c.What}, values(c.Whats)...) {
			errs = append(errs, between("description", d, 1, 100))
		}
	}
	return errors.Join(errs...)
}

func values(m map[string]string) (out []string) {
	for _, v := range m {
		out = append(out, v)
	}
	return out
}
