package protocol

import (
	"slices"

	"turnstone/care"
)

// An Op is what a condition asks.
type Op string

// The operators.
const (
	All       Op = "all"
	AnyCond   Op = "any"
	NoneOf    Op = "none_of"
	On        Op = "on"         // the fact is yes or not sure
	Is        Op = "is"         // the fact has one of the values
	AnotherOf Op = "another_of" // a fact of these groups is yes, beside those the row names already
	UnsureIn  Op = "unsure_in"  // a fact of the group was not sure
	Asked     Op = "asked"      // the fact has an answer
	Reached   Op = "reached"    // the disposition in force is exactly this one
	AnyDanger Op = "any_danger" // a danger fact is yes or not sure
	Worse     Op = "worse"      // pain rose since entry or the last check, or overall worse
)

// A Cond is a condition over facts. The zero Cond is absent.
type Cond struct {
	Op     Op
	Of     []Cond
	Fact   care.Fact
	Values []string
	Facts  []care.Fact
	To     care.Disposition
	Line   int
}

// A View is what a condition may ask for. Every fact is read through it, so
// that a test can see what a decision rests on.
type View interface {
	// Holds reports whether any answer ever given to f has the value v.
	Holds(f care.Fact, v string) bool
	// Answered reports whether f has an answer.
	Answered(f care.Fact) bool
	// Doubt reports whether f was not sure or unreadable.
	Doubt(f care.Fact) bool
	// Reached is the disposition in force, and the facts that it rests on.
	Reached() (care.Disposition, []care.Fact)
	Worse() bool
}

// Holds evaluates c. The names are the facts that make it true.
func (c Cond) Holds(p *Protocol, v View) (bool, []care.Fact) {
	return c.eval(p, v, nil)
}

func (c Cond) eval(p *Protocol, v View, beside []care.Fact) (bool, []care.Fact) {
	switch c.Op {
	case All:
		var names []care.Fact
		for _, sub := range c.Of {
			ok, n := sub.eval(p, v, names)
			if !ok {
				return false, nil
			}
			names = append(names, n...)
		}
		return true, names
	case AnyCond:
		var names []care.Fact
		holds := false
		for _, sub := range c.Of {
			if ok, n := sub.eval(p, v, beside); ok {
				holds = true
				names = append(names, n...)
			}
		}
		return holds, names
	case NoneOf:
		for _, sub := range c.Of {
			if ok, _ := sub.eval(p, v, beside); ok {
				return false, nil
			}
		}
		return true, nil
	case On:
		return c.named(v.Holds(c.Fact, care.Yes) || v.Holds(c.Fact, care.Unsure))
	case Is:
		return c.named(slices.ContainsFunc(c.Values, func(x string) bool { return v.Holds(c.Fact, x) }))
	case AnotherOf:
		return c.some(func(f care.Fact) bool { return v.Holds(f, care.Yes) && !slices.Contains(beside, f) })
	case UnsureIn:
		return c.some(v.Doubt)
	case AnyDanger:
		return c.some(func(f care.Fact) bool { return v.Holds(f, care.Yes) || v.Holds(f, care.Unsure) })
	case Asked:
		return c.named(v.Answered(c.Fact))
	case Reached:
		d, names := v.Reached()
		return d == c.To, names
	case Worse:
		return v.Worse(), nil
	default:
		return false, nil
	}
}

// named gives the fact of a condition that holds.
func (c Cond) named(holds bool) (bool, []care.Fact) {
	if !holds {
		return false, nil
	}
	return true, []care.Fact{c.Fact}
}

func (c Cond) some(is func(care.Fact) bool) (bool, []care.Fact) {
	var names []care.Fact
	for _, f := range c.Facts {
		if is(f) {
			names = append(names, f)
		}
	}
	return len(names) > 0, names
}

// Reads lists every fact that c can ask for.
func (c Cond) Reads() []care.Fact {
	var facts []care.Fact
	if c.Fact != "" {
		facts = append(facts, c.Fact)
	}
	facts = append(facts, c.Facts...)
	for _, sub := range c.Of {
		facts = append(facts, sub.Reads()...)
	}
	return facts
}
