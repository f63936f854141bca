package walk

import (
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// What is left of a condition once the answers so far are put in: settled one
// way, settled the other way, or a text that says what it still waits for. Two
// episodes with the same residual can't be told apart by the condition, now or
// later.
const (
	settledTrue  = "T"
	settledFalse = "F"
)

// residual works out what is left of c. Answers are only ever added, so what
// holds goes on holding; a fact that can't be answered any more stays as it is.
func residual(c protocol.Cond, l lens, can func(care.Fact) bool) string {
	return remains(c, l, can, nil)
}

// remains is residual inside a row: beside are the facts of the row's other
// parts, which another_of does not count.
func remains(c protocol.Cond, l lens, can func(care.Fact) bool, beside []care.Fact) string {
	switch c.Op {
	case "":
		return settledTrue
	case protocol.All:
		return joined(c, l, can, beside, settledFalse, settledTrue, "&")
	case protocol.AnyCond:
		return joined(c, l, can, beside, settledTrue, settledFalse, "|")
	case protocol.NoneOf:
		switch inner := joined(c, l, can, beside, settledTrue, settledFalse, "|"); inner {
		case settledTrue:
			return settledFalse
		case settledFalse:
			return settledTrue
		default:
			return "!" + inner
		}
	case protocol.On:
		return leaf(l.on(c.Fact), can(c.Fact))
	case protocol.Is:
		return leaf(slices.ContainsFunc(c.Values, func(v string) bool { return l.holds(c.Fact, v) }), can(c.Fact) || c.Fact == l.p.Roles.Region)
	case protocol.Asked:
		return leaf(len(l.held(c.Fact)) > 0, can(c.Fact))
	case protocol.UnsureIn:
		return leaf(slices.ContainsFunc(c.Facts, l.doubt), slices.ContainsFunc(c.Facts, can))
	case protocol.AnyDanger:
		return leaf(slices.ContainsFunc(c.Facts, l.on), slices.ContainsFunc(c.Facts, can))
	case protocol.AnotherOf:
		counts := func(f care.Fact) bool { return !slices.Contains(beside, f) && l.holds(f, care.Yes) }
		return leaf(slices.ContainsFunc(c.Facts, counts), slices.ContainsFunc(c.Facts, can))
	default: // reached and worse rest on what stands in the key beside this
		return string(c.Op)
	}
}

func leaf(holds, open bool) string {
	switch {
	case holds:
		return settledTrue
	case open:
		return "?"
	default:
		return settledFalse
	}
}

// others are the facts that the parts of c beside part i name.
func others(c protocol.Cond, i int) []care.Fact {
	if c.Of[i].Op != protocol.AnotherOf {
		return nil
	}
	var facts []care.Fact
	for j, sub := range c.Of {
		if j != i {
			facts = append(facts, sub.Reads()...)
		}
	}
	return facts
}

// joined puts the parts of all, any and none_of together: one part that
// decides is enough, and parts that decide nothing any more fall away.
func joined(c protocol.Cond, l lens, can func(care.Fact) bool, beside []care.Fact, decides, idle, mark string) string {
	var parts []string
	for i, sub := range c.Of {
		switch r := remains(sub, l, can, append(beside, others(c, i)...)); r {
		case decides:
			return decides
		case idle:
		default:
			parts = append(parts, string(rune('a'+i))+r)
		}
	}
	if len(parts) == 0 {
		return idle
	}
	return mark + "(" + strings.Join(parts, "") + ")"
}
