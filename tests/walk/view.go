package walk

import (
	"slices"
	"strconv"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// A lens reads an episode's answers for the conditions of a protocol. It is
// written apart from the dialogue's own, so that a slip in one shows.
type lens struct {
	p      *protocol.Protocol
	ep     *care.Episode
	rounds []care.Round
}

func wholeLens(p *protocol.Protocol, ep *care.Episode) lens { return lens{p, ep, ep.Rounds} }

func roundLens(p *protocol.Protocol, ep *care.Episode, i int) lens {
	return lens{p, ep, ep.Rounds[i : i+1]}
}

func (l lens) held(f care.Fact) []*care.Held {
	var all []*care.Held
	for _, r := range l.rounds {
		if h := r.Facts.Get(f); h != nil && len(h.Values) > 0 {
			all = append(all, h)
		}
	}
	return all
}

func (l lens) holds(f care.Fact, value string) bool {
	if f == l.p.Roles.Region && value == "unknown" {
		return l.ep.Region == ""
	}
	for _, h := range l.held(f) {
		if slices.ContainsFunc(h.Values, func(v string) bool { return is(l.p.Facts[f], v, value) }) {
			return true
		}
	}
	return false
}

// is compares an answer with a value of the protocol.
func is(f *protocol.Fact, answer, value string) bool {
	switch {
	case answer == value:
		return true
	case f.Kind == care.Several:
		return slices.Contains(strings.Split(answer, ","), value)
	case f.Kind == care.Scale:
		n, err := strconv.ParseFloat(answer, 64)
		i := slices.IndexFunc(f.Bands, func(b protocol.Band) bool { return b.Name == value })
		return err == nil && i >= 0 && n >= f.Bands[i].From && n <= f.Bands[i].To
	default:
		return false
	}
}

func (l lens) doubt(f care.Fact) bool {
	fact := l.p.Facts[f]
	return slices.ContainsFunc(l.held(f), func(h *care.Held) bool {
		unread := fact.Unread != "" && h.Skipped && slices.Contains(h.Values, fact.Unread)
		return !h.Grouped && (h.Doubted || unread || slices.Contains(h.Values, care.Unsure))
	})
}

func (l lens) latest(f care.Fact) string {
	all := l.held(f)
	if len(all) == 0 {
		return ""
	}
	return all[len(all)-1].Latest()
}

func (l lens) on(f care.Fact) bool { return l.holds(f, care.Yes) || l.holds(f, care.Unsure) }
