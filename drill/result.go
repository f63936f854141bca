package drill

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// A Result is what the receipts of one drill come to.
type Result struct {
	People    int      `json:"people"`
	Finished  int      `json:"finished"` // who came to the end of their talk
	Took      Duration `json:"took"`
	Turns     int      `json:"turns"`
	PerSecond float64  `json:"turns_per_second"`
	Answer    Times    `json:"answer"`
	Cards     Times    `json:"cards"`
	CardLimit Duration `json:"card_limit"`
	LateCards int      `json:"late_cards"`

	Accepted   int `json:"accepted"`
	Failed     int `json:"failed_presses"`
	Again      int `json:"asked_again"`
	Repeated   int `json:"repeats_swallowed"`
	Lost       int `json:"lost"`
	Duplicates int `json:"duplicates"`
	Disorder   int `json:"out_of_order"`
	Breaches   int `json:"rules_broken"`

	Kills   int `json:"kills"`
	Freezes int `json:"freezes"`
	Cuts    int `json:"cuts"`
	Alone   int `json:"ended_by_themselves"`

	Rush *Rush `json:"rush,omitempty"`

	Found []string `json:"found,omitempty"` // each loss, double, disorder and broken rule
}

// result reads the receipts.
func (d *drill) result(ctx context.Context) (*Result, error) {
	receipts := d.platform.Receipts()
	c := reckon(receipts, d.plans, func(account string) bool { return d.by[account] != nil })
	r := &Result{People: len(d.people), Took: Duration(time.Since(d.began)), CardLimit: Duration(lateCalm)}
	r.Finished, _ = d.count(0)
	d.crew.mu.Lock()
	r.Kills, r.Freezes, r.Cuts, r.Alone = d.crew.kills, d.crew.freezes, d.crew.cuts, d.crew.alone
	d.crew.mu.Unlock()
	if r.Kills+r.Freezes+r.Cuts > 0 {
		r.CardLimit = Duration(lateFaulty)
	}
	r.take(c, d.platform.Breaches())
	if n := r.People - r.Finished; n > 0 {
		r.Found = append(r.Found, fmt.Sprintf("%d people did not come to the end of their talk", n))
	}
	for _, w := range d.people {
		if !w.done.Load() {
			c.found[w.who.ID] = true
		}
	}
	return r, errors.Join(ctx.Err(), r.err(), d.trace(receipts, c.found))
}

func (r *Result) take(c *count, breaches []string) {
	r.Turns, r.Answer, r.Cards = len(c.answers), timesOf(c.answers), timesOf(c.cards)
	r.PerSecond = float64(r.Turns) / time.Duration(r.Took).Seconds()
	for _, t := range c.cards {
		if Duration(t) > r.CardLimit {
			r.LateCards++
		}
	}
	r.Accepted, r.Failed, r.Again, r.Repeated = c.accepted, c.failed, c.again, c.repeated
	r.Lost, r.Duplicates, r.Disorder, r.Breaches = len(c.lost), len(c.duplicates), len(c.disorder), len(breaches)
	for what, list := range map[string][]string{"lost": c.lost, "twice": c.duplicates, "out of order": c.disorder, "against the platform's rules": breaches} {
		for _, l := range list {
			r.Found = append(r.Found, what+": "+l)
		}
	}
	late := r.LateCards > 0
	if r.Rush != nil { // of many some may be late
		late = r.Cards.P99 > r.CardLimit
	}
	if late {
		r.Found = append(r.Found, fmt.Sprintf("%d cards came later than %v", r.LateCards, r.CardLimit))
	}
	slices.Sort(r.Found)
}

func (r *Result) err() error {
	if len(r.Found) == 0 {
		return nil
	}
	return fmt.Errorf("%w: %d lost, %d twice, %d out of order, %d late cards", ErrFound, r.Lost, r.Duplicates, r.Disorder, r.LateCards)
}

// Table writes the result for a reader.
func (r *Result) Table(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	row := func(name string, cells ...any) {
		fmt.Fprintf(t, "%s\t%s\n", name, strings.TrimSuffix(fmt.Sprintln(cells...), "\n"))
	}
	row("people", r.Finished, "of", r.People, "at the end, in", r.Took)
	answer := "to the answer"
	if r.Rush == nil {
		row("turns", fmt.Sprintf("%d, %.1f a second", r.Turns, r.PerSecond))
	} else {
		r.Rush.rows(row)
		answer = "to the first line"
	}
	row(answer, r.Answer)
	row("emergencies", r.Cards.N)
	row("to the card", r.Cards)
	row("late cards", r.LateCards, "over", r.CardLimit)
	row("lost", r.Lost, "of", r.Accepted, "accepted")
	row("twice", r.Duplicates)
	row("out of order", r.Disorder)
	row("failed presses", r.Failed, "and then pressed again")
	row("asked again", r.Again, "questions")
	row("sent again", r.Repeated, "messages, swallowed by the platform")
	row("faults", fmt.Sprintf("%d killed, %d frozen, %d cuts; %d processes ended by themselves", r.Kills, r.Freezes, r.Cuts, r.Alone))
	if err := t.Flush(); err != nil {
		return err
	}
	for _, f := range r.Found {
		fmt.Fprintln(w, "found:", f)
	}
	return nil
}

func (t Times) String() string {
	if t.N == 0 {
		return "none"
	}
	return fmt.Sprintf("p50 %v, p99 %v, longest %v", t.P50, t.P99, t.Max)
}
