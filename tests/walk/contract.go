package walk

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// A Contract is what a protocol promises, written down a second time from the
// clinic's text and not from the data file: a slip in one is caught by the
// other.
type Contract struct {
	Dangers []care.Fact // each must be asked and denied before any home care
	Single  []Floor     // one answer
	Both    []Floor     // answers that count together
	Asked   []Asked     // questions that day 0 may not end without
	Unsaid  []Unsaid    // advice that harms somebody with these answers

	once   sync.Once
	byFact map[care.Fact][]*Floor
}

// A Floor says that somebody who gave these answers is to be at a disposition
// or above. Each part is "fact=value|value"; every part must hold.
type Floor struct {
	To    care.Disposition
	Parts []part
	Early bool // counts on day 0 only: a check judges it by its own rows
}

// Asked says that somebody who gave these answers must be asked for a fact.
type Asked struct {
	Fact care.Fact
	If   Floor
}

// Unsaid says that a sentence is never said to somebody who gave the answer.
type Unsaid struct {
	Key care.SentenceKey
	If  Floor
}

type part struct {
	fact   care.Fact
	values []string
}

func floor(to care.Disposition, parts ...string) Floor {
	f := Floor{To: to}
	for _, p := range parts {
		fact, values, _ := strings.Cut(p, "=")
		f.Parts = append(f.Parts, part{care.Fact(fact), strings.Split(values, "|")})
	}
	return f
}

// least is the least disposition that the answers of ep ask for, and why. An
// answer that is no only asks for something where a floor says so.
func (c *Contract) least(p *protocol.Protocol, ep *care.Episode) (care.Disposition, string) {
	c.once.Do(c.index)
	to, why := care.Disposition(0), ""
	for i, r := range ep.Rounds {
		for _, h := range r.Facts {
			for _, f := range c.byFact[h.Fact] {
				if f.To > to && !(f.Early && i > 0) && f.holds(p, ep, h) {
					to, why = f.To, fmt.Sprint(f.Parts)
				}
			}
		}
	}
	return to, why
}

// unasked is a question that day 0 ended without, though the answers ask for
// it. An emergency ends the questions; what was typed as a danger sign opens
// no question of its own.
func (c *Contract) unasked(p *protocol.Protocol, ep *care.Episode) (care.Fact, string) {
	if len(ep.Rounds) == 0 || !ep.Rounds[0].Done || ep.Disposition >= care.Emergency {
		return "", ""
	}
	day0 := roundLens(p, ep, 0)
	for i := range c.Asked {
		if a := &c.Asked[i]; len(day0.held(a.Fact)) == 0 && a.If.told(day0) && !typed(ep, a.If.Parts[0].fact) {
			return a.Fact, fmt.Sprint(a.If.Parts)
		}
	}
	return "", ""
}

func typed(ep *care.Episode, f care.Fact) bool {
	return slices.ContainsFunc(ep.Reasons, func(r care.Reason) bool {
		return strings.HasPrefix(r.Row, "sign/") && slices.Contains(r.Names, string(f))
	})
}

// harmful is the answer that forbids a sentence.
func (c *Contract) harmful(p *protocol.Protocol, ep *care.Episode, key care.SentenceKey) string {
	for i := range c.Unsaid {
		if u := &c.Unsaid[i]; u.Key == key && u.If.told(wholeLens(p, ep)) {
			return fmt.Sprint(u.If.Parts)
		}
	}
	return ""
}

// told reports whether every part holds.
func (f *Floor) told(l lens) bool {
	return !slices.ContainsFunc(f.Parts, func(p part) bool {
		return !slices.ContainsFunc(p.values, func(v string) bool { return l.holds(p.fact, v) })
	})
}

// index files each floor under the fact of its first part.
func (c *Contract) index() {
	c.byFact = map[care.Fact][]*Floor{}
	for _, list := range [][]Floor{c.Single, c.Both} {
		for i := range list {
			first := list[i].Parts[0].fact
			c.byFact[first] = append(c.byFact[first], &list[i])
		}
	}
}

// holds reports whether h, an answer to the first part's fact, fits, and the
// other parts hold as well.
func (f *Floor) holds(p *protocol.Protocol, ep *care.Episode, h *care.Held) bool {
	fits := func(v string) bool {
		return slices.ContainsFunc(h.Values, func(answer string) bool { return is(p.Facts[h.Fact], answer, v) })
	}
	if !slices.ContainsFunc(f.Parts[0].values, fits) {
		return false
	}
	if f.Early {
		return f.told(roundLens(p, ep, 0))
	}
	return f.told(wholeLens(p, ep))
}

// denied reports whether each of the dangers was answered with no, and with
// nothing else, ever.
func (c *Contract) denied(p *protocol.Protocol, ep *care.Episode) bool {
	l := wholeLens(p, ep)
	for _, f := range c.Dangers {
		held := l.held(f)
		if len(held) == 0 || slices.ContainsFunc(held, func(h *care.Held) bool { return !slices.Equal(h.Values, []string{care.No}) }) {
			return false
		}
	}
	return true
}

// On lists floors for facts that are yes or not sure.
func On(to care.Disposition, facts string) []Floor {
	var list []Floor
	for _, f := range strings.Fields(facts) {
		list = append(list, floor(to, f+"=yes|unsure"))
	}
	return list
}

func early(list ...Floor) []Floor {
	for i := range list {
		list[i].Early = true
	}
	return list
}
