package data

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
)

type choice struct {
	Value string `json:"value"`
	Label string `json:"label"`
}

type ask struct {
	Facts   []care.Fact `json:"facts"`
	Kind    care.Kind   `json:"kind"`
	Choices []choice    `json:"choices"`
}

type message struct {
	Type    string      `json:"type"`
	ID      care.ItemID `json:"id"`
	At      string      `json:"at"`
	Text    string      `json:"text"`
	Picture string      `json:"picture,omitempty"`
	Ask     *ask        `json:"ask,omitempty"`
}

type disposition struct {
	Type        string            `json:"type"`
	At          string            `json:"at"`
	Disposition string            `json:"disposition"`
	Because     []string          `json:"because"`
	Rule        map[string]string `json:"rule"`
}

type escalation struct {
	Type        string   `json:"type"`
	At          string   `json:"at"`
	ID          string   `json:"id"`
	What        string   `json:"what"`
	Disposition string   `json:"disposition"`
	Because     []string `json:"because"`
	Sensitive   bool     `json:"sensitive"`
}

type planned struct {
	Type string `json:"type"`
	At   string `json:"at"`
	What string `json:"what"`
	Due  string `json:"due,omitempty"`
}

type staffLine struct {
	Type  string `json:"type"`
	At    string `json:"at"`
	ID    string `json:"id"`
	State string `json:"state"`
	By    string `json:"by"`
}

type plain struct {
	Type  string `json:"type"`
	At    string `json:"at,omitempty"`
	Error string `json:"error,omitempty"`
}

// moment writes an instant as RFC 3339 in UTC, with the fraction of a second
// only where there is one.
func moment(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// write writes one line at once.
func (d *Door) write(v any) {
	data, err := json.Marshal(v)
	if err == nil {
		_, err = d.out.Write(append(data, '\n'))
	}
	d.fault = errors.Join(d.fault, err)
}

func (d *Door) ready() { d.write(plain{Type: "ready", At: moment(d.clock.Now())}) }

func (d *Door) error(err error) { d.write(plain{Type: "error", Error: err.Error()}) }

// Send writes a message.
func (d *Door) Send(_ context.Context, m outbox.Message) error {
	line := message{Type: "message", ID: m.ID, At: moment(m.At), Text: m.Text, Picture: m.Picture}
	if m.Ask != nil {
		line.Ask = &ask{Facts: m.Ask.Facts, Kind: m.Ask.Kind, Choices: []choice{}}
		if line.Ask.Facts == nil {
			line.Ask.Facts = []care.Fact{}
		}
		for _, c := range m.Ask.Choices {
			line.Ask.Choices = append(line.Ask.Choices, choice(c))
		}
	}
	d.write(line)
	return d.fault
}

// CardNow writes the fixed emergency card.
func (d *Door) CardNow(_ context.Context, c intake.Caller, event care.EventID) error {
	d.write(message{Type: "message", ID: care.ItemID("card-" + string(event)), At: moment(d.clock.Now()), Text: d.Fixed(c.Locale, c.Region)})
	return d.fault
}

// Committed writes what a commit decided and planned.
func (d *Door) Committed(_ care.PersonID, lines []care.Line) {
	for _, l := range lines {
		switch l.Type {
		case care.LineDisposition:
			d.write(disposition{l.Type, moment(l.At), l.Disposition.String(), full(l.Because), l.Rule})
		case care.LineEscalation:
			d.write(escalation{l.Type, moment(l.At), l.ID, l.What, l.Disposition.String(), full(l.Because), l.Sensitive})
		case care.LinePlanned:
			d.write(planned{l.Type, moment(l.At), l.What, moment(l.Due)})
		case care.LineCancelled:
			d.write(planned{Type: l.Type, At: moment(l.At), What: l.What})
		case care.LineStaff:
			d.write(staffLine{l.Type, moment(l.At), l.ID, l.State, l.By})
		}
	}
}

// full keeps an empty list from being written as null.
func full(names []string) []string {
	if names == nil {
		return []string{}
	}
	return names
}
