package protocol

import (
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"turnstone/care"
)

func (r *reader) text(n *yaml.Node) string {
	if n.Kind != yaml.ScalarNode || n.Tag == "!!bool" || n.Tag == "!!null" {
		r.at(n, "%q is not a word here; quote it if it is meant as one", n.Value)
		return ""
	}
	return n.Value
}

func (r *reader) texts(n *yaml.Node) []string {
	if n.Kind == yaml.ScalarNode {
		return []string{r.text(n)}
	}
	if n.Kind != yaml.SequenceNode {
		r.at(n, "write one word or a list [a, b]")
		return nil
	}
	var list []string
	for _, c := range n.Content {
		list = append(list, r.text(c))
	}
	return list
}

func (r *reader) facts(n *yaml.Node) []care.Fact {
	var list []care.Fact
	for _, t := range r.texts(n) {
		list = append(list, care.Fact(t))
	}
	return list
}

func (r *reader) flag(n *yaml.Node) bool {
	if n.Tag != "!!bool" {
		r.at(n, "%q must be true or false", n.Value)
	}
	return n.Value == "true"
}

func (r *reader) number(n *yaml.Node) int {
	v, err := strconv.Atoi(n.Value)
	if err != nil {
		r.at(n, "%q must be a whole number", n.Value)
	}
	return v
}

func (r *reader) span(n *yaml.Node) time.Duration {
	d, err := time.ParseDuration(n.Value)
	if err != nil || d < 0 {
		r.at(n, "%q is no length of time; write 90m or 48h", n.Value)
	}
	return d
}

func (r *reader) spans(n *yaml.Node) []time.Duration {
	var list []time.Duration
	for _, c := range n.Content {
		list = append(list, r.span(c))
	}
	return list
}

// clock reads a quoted time of day.
func (r *reader) clock(n *yaml.Node) time.Duration {
	t, err := time.Parse("15:04", n.Value)
	if err != nil || n.Tag != "!!str" {
		r.at(n, "%q is no time of day; write \"21:00\", quoted", n.Value)
		return 0
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
}

func (r *reader) disposition(n *yaml.Node) care.Disposition {
	d, err := care.ParseDisposition(r.text(n))
	if err != nil {
		r.at(n, "%v", err)
	}
	return d
}

// to reads where a fact leads: one word for "yes or not sure", or a list.
func (r *reader) to(n *yaml.Node) map[string]care.Disposition {
	to := map[string]care.Disposition{}
	if n.Kind == yaml.ScalarNode {
		d := r.disposition(n)
		to[care.Yes], to[care.Unsure] = d, d
		return to
	}
	for _, e := range r.entries(n, "to") {
		to[e.key] = r.disposition(e.value)
	}
	return to
}

// bands reads ranges such as 2-4, 0h-24h and 240h- .
func (r *reader) bands(n *yaml.Node, kind care.Kind) []Band {
	var list []Band
	for _, e := range r.entries(n, "bands") {
		b := Band{Name: e.key, To: -1}
		from, to, ok := strings.Cut(e.value.Value, "-")
		var err1, err2 error
		b.From, err1 = bandEnd(from, kind)
		if to != "" {
			b.To, err2 = bandEnd(to, kind)
		}
		if !ok || err1 != nil || err2 != nil {
			r.at(e.value, "%q is no range; write 2-4 for years or 24h-48h for times", e.value.Value)
		}
		list = append(list, b)
	}
	return list
}

func bandEnd(s string, kind care.Kind) (float64, error) {
	if kind != care.Since {
		return strconv.ParseFloat(s, 64)
	}
	d, err := time.ParseDuration(s)
	return d.Hours(), err
}

// cond reads a condition: a bare fact, a block's name in `blocks`, or one of
// the forms below.
func (r *reader) cond(n *yaml.Node) Cond {
	switch n.Kind {
	case yaml.ScalarNode:
		if n.Value == string(Worse) {
			return Cond{Op: Worse, Line: n.Line}
		}
		return Cond{Op: On, Fact: care.Fact(r.text(n)), Line: n.Line}
	case yaml.SequenceNode:
		return Cond{Op: AnyCond, Of: r.conds(n), Line: n.Line}
	case yaml.MappingNode:
		if len(n.Content) == 2 {
			return r.condOf(n.Content[0], n.Content[1])
		}
	}
	r.at(n, "a condition is a fact, {fact: value}, {all: [..]}, {any: [..]} or {none_of: [..]}")
	return Cond{}
}

func (r *reader) conds(n *yaml.Node) []Cond {
	var list []Cond
	for _, c := range n.Content {
		list = append(list, r.cond(c))
	}
	return list
}

func (r *reader) condOf(k, v *yaml.Node) Cond {
	c := Cond{Op: Op(k.Value), Line: k.Line}
	switch c.Op {
	case All, AnyCond, NoneOf:
		if v.Kind != yaml.SequenceNode {
			r.at(v, "%s needs a list [a, b]", c.Op)
		}
		c.Of = r.conds(v)
	case AnotherOf, UnsureIn:
		c.Facts = r.facts(v) // names of groups; check puts their facts in
	case Asked:
		c.Fact = care.Fact(r.text(v))
	case Reached:
		c.To = r.disposition(v)
	case AnyDanger:
		if !r.flag(v) {
			r.at(v, "any_danger must be true")
		}
	default:
		c.Op, c.Fact, c.Values = Is, care.Fact(k.Value), r.texts(v)
	}
	return c
}
