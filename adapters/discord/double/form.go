package double

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
)

// A form is a field to fill in: a title of 45 characters and 1 to 5 labels,
// each around words to write or a menu.
type form struct {
	CustomID string      `json:"custom_id"`
	Title    string      `json:"title"`
	Parts    []formLabel `json:"components"`
}

type formLabel struct {
	Type  int      `json:"type"`
	Label string   `json:"label"`
	Part  formPart `json:"component"`
}

type formPart struct {
	Type     int      `json:"type"`
	CustomID string   `json:"custom_id"`
	Style    int      `json:"style"`
	Max      int      `json:"max_length"`
	Required bool     `json:"required"`
	Options  []Option `json:"options"`
}

func readForm(data []byte) (form, error) {
	var d form
	if err := strict(data, &d); err != nil {
		return d, err
	}
	errs := []error{between("title", d.Title, 1, 45), between("custom_id", d.CustomID, 1, 100)}
	if len(d.CustomID) > 64 { // our own promise, as for buttons
		errs = append(errs, fmt.Errorf("custom_id of %d bytes", len(d.CustomID)))
	}
	if len(d.Parts) == 0 || len(d.Parts) > 5 {
		errs = append(errs, fmt.Errorf("%d parts", len(d.Parts)))
	}
	ids := map[string]bool{}
	for _, p := range d.Parts {
		errs = append(errs, between("label", p.Label, 1, 45), between("custom_id", p.Part.CustomID, 1, 100))
		if ids[p.Part.CustomID] {
			errs = append(errs, fmt.Errorf("custom_id %q twice", p.Part.CustomID))
		}
		ids[p.Part.CustomID] = true
		switch {
		case p.Type == 18 && p.Part.Type == 4 && p.Part.Max >= 1 && p.Part.Max <= 4000 && p.Part.Options == nil:
		case p.Type == 18 && p.Part.Type == 3 && p.Part.Max == 0 && p.Part.Style == 0:
			one := 1
			errs = append(errs, Part{Min: &one, Max: &one, Options: p.Part.Options}.menu())
		default:
			errs = append(errs, fmt.Errorf("a field of type %d in a part of type %d", p.Part.Type, p.Type))
		}
	}
	return d, errors.Join(errs...)
}

// Fill hands in the form that an interaction opened, filled in by the IDs of
// its fields. As on the platform, what is required must be there, and a menu
// takes only what it offers.
func (w *Person) Fill(a Act, in map[string]string) (Act, error) {
	f, err := readForm(a.Modal())
	if err != nil {
		return Act{}, err
	}
	var parts []any
	left := len(in)
	for _, l := range f.Parts {
		v, given := in[l.Part.CustomID]
		if given {
			left--
		}
		inner := map[string]any{"type": l.Part.Type, "id": 2, "custom_id": l.Part.CustomID}
		switch {
		case l.Part.Required && v == "":
			return Act{}, fmt.Errorf("%s is required", l.Part.CustomID)
		case l.Part.Type == 4 && units(v) > l.Part.Max:
			return Act{}, fmt.Errorf("%s takes %d characters", l.Part.CustomID, l.Part.Max)
		case l.Part.Type == 4:
			inner["value"] = v
		case !slices.ContainsFunc(l.Part.Options, func(o Option) bool { return o.Value == v }):
			return Act{}, fmt.Errorf("%s does not offer %q", l.Part.CustomID, v)
		default:
			inner["values"] = []string{v}
		}
		parts = append(parts, map[string]any{"type": 18, "id": 1, "component": inner})
	}
	if left > 0 {
		return Act{}, fmt.Errorf("the form has not all of %v", in)
	}
	m := a.a.message
	return w.act(5, m.Channel, m, map[string]any{"custom_id": f.CustomID, "components": parts}), nil
}

// Modal is the form that was opened.
func (a Act) Modal() json.RawMessage {
	a.p.mu.Lock()
	defer a.p.mu.Unlock()
	return a.a.modal
}

// Delete takes a message off its channel, as a moderator may.
func (p *Platform) Delete(m Message) {
	p.mu.Lock()
	defer p.mu.Unlock()
	ch := p.channels[m.Channel]
	ch.messages = slices.DeleteFunc(ch.messages, func(o *Message) bool { return o.ID == m.ID })
	p.changed.Broadcast()
}
