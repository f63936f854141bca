package record

import (
	"encoding/json"
	"fmt"

	"turnstone/care"
)

// A Card is an escalation as it stands on the staff list: whose it is, and
// what staff may know. It holds no words and no account.
type Card struct {
	Person     care.PersonID   `json:"person"`
	Address    string          `json:"address"`
	Account    string          `json:"account,omitempty"`
	Episode    care.EpisodeID  `json:"episode"`
	Protocol   string          `json:"protocol"`
	Locale     care.Locale     `json:"locale"`
	Zone       string          `json:"zone"`
	Region     string          `json:"region,omitempty"`
	Seq        int             `json:"seq,omitempty"` // of the episode: what staff do later gets IDs of its own
	Escalation care.Escalation `json:"escalation"`
}

// CardKey is where the card of an escalation lies among a store's named values.
func CardKey(escalation string) string { return CardPrefix + escalation }

// CardPrefix begins the keys of all cards.
const CardPrefix = "staff/"

// CardOf makes the card of an escalation of r.
func CardOf(person care.PersonID, r Record, e care.Escalation) Card {
	return Card{
		Person: person, Address: r.Address, Account: r.Account, Episode: r.Episode.ID, Protocol: r.Episode.Protocol,
		Locale: r.Episode.Locale, Zone: r.Episode.Zone, Region: r.Episode.Region, Seq: r.Episode.Seq, Escalation: e,
	}
}

// Record is what a card can stand in for when its record was erased: enough
// to answer the person, and nothing else.
func (c Card) Record() Record {
	return Record{
		Address: c.Address, Account: c.Account,
		Episode: care.Episode{
			ID: c.Episode, Protocol: c.Protocol, Locale: c.Locale, Zone: c.Zone, Region: c.Region, Seq: c.Seq, Opened: c.Escalation.Since, LastHeard: c.Escalation.Since,
			State: "closed", Closed: true, Erasing: true, Disposition: c.Escalation.Disposition, Open: c.Escalation.State != care.StateClosed,
			Escalations: []care.Escalation{c.Escalation},
		},
	}
}

// Encode writes a card.
func (c Card) Encode() ([]byte, error) { return json.Marshal(c) }

// DecodeCard reads what Encode wrote.
func DecodeCard(data []byte) (Card, error) {
	var c Card
	if err := json.Unmarshal(data, &c); err != nil {
		return c, fmt.Errorf("staff card: %w", err)
	}
	return c, nil
}
