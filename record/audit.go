package record

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"turnstone/care"
	"turnstone/store"
)

// An Audit is one row about what a staff member looked at or did: who, what
// and when, and nothing that anybody wrote.
type Audit struct {
	At          time.Time        `json:"at"`
	By          string           `json:"by"`
	Do          string           `json:"do"`
	ID          string           `json:"id,omitempty"` // the escalation, or whom it was about
	To          string           `json:"to,omitempty"`
	Outcome     string           `json:"outcome,omitempty"`
	Disposition care.Disposition `json:"disposition,omitempty"`
	Sensitive   bool             `json:"sensitive,omitempty"` // of a look: the item held something private
}

// AuditPrefix begins the keys of all audit rows; they sort by time.
const AuditPrefix = "audit/"

// auditKept is how long a row stays (common practice, no source).
const auditKept = 2 * 365 * 24 * time.Hour

// AuditOf is the row of what staff do with an item.
func AuditOf(act care.StaffAct, now time.Time) Audit {
	return Audit{At: now, By: act.By, Do: act.Do, ID: act.ID, To: act.To, Outcome: act.Outcome, Disposition: act.Disposition}
}

// Named is the row as a named value, for the commit that it belongs to.
func (a Audit) Named() (store.NamedWrite, error) {
	data, err := json.Marshal(a)
	if err != nil {
		return store.NamedWrite{}, fmt.Errorf("encode audit row: %w", err)
	}
	nonce := Nonce()
	key := AuditPrefix + a.At.UTC().Format("2006-01-02T15:04:05.000000000Z") + "/" + hex.EncodeToString(nonce[:])
	return store.NamedWrite{Key: key, Bytes: data, Expires: a.At.Add(auditKept)}, nil
}
