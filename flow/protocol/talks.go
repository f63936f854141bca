package protocol

import (
	"go.yaml.in/yaml/v3"

	"turnstone/care"
)

func (r *reader) talks(p *Protocol, n *yaml.Node) {
	for _, e := range r.entries(n, "talks") {
		t := &Talk{Name: e.key, Then: map[care.Disposition]string{}, Line: e.node.Line}
		r.fields(e.value, "talk "+e.key, map[string]func(*yaml.Node){
			"kind":  func(n *yaml.Node) { t.Kind = r.text(n) },
			"judge": func(n *yaml.Node) { t.Judge = r.flag(n) },
			"final": func(n *yaml.Node) { t.Final = r.flag(n) },
			"then": func(n *yaml.Node) {
				for _, e := range r.entries(n, "then") {
					d, err := care.ParseDisposition(e.key)
					if err != nil {
						r.at(e.node, "%v", err)
					}
					t.Then[d] = r.text(e.value)
				}
			},
			"order": func(n *yaml.Node) {
				for _, c := range n.Content {
					t.Screens = append(t.Screens, r.screens(p, c)...)
				}
			},
		})
		p.Talks[e.key] = t
		p.TalkSeq = append(p.TalkSeq, e.key)
	}
}

// screens reads one entry of an order: a fact, a group, a section of facts or
// something to read.
func (r *reader) screens(p *Protocol, n *yaml.Node) []Screen {
	s := Screen{Line: n.Line}
	var section []care.Fact
	var only []Cond
	r.fields(n, "a screen", map[string]func(*yaml.Node){
		"fact":       func(n *yaml.Node) { s.Name = r.text(n); s.Facts = []care.Fact{care.Fact(s.Name)} },
		"screen":     func(n *yaml.Node) { s.Name = r.text(n); s.Kind = care.AnyOf },
		"say":        func(n *yaml.Node) { s.Name = r.text(n); s.Say = s.Name; s.Kind = care.NextOf },
		"section":    func(n *yaml.Node) { s.Section = r.text(n) },
		"facts":      func(n *yaml.Node) { section = r.facts(n) },
		"ask":        func(n *yaml.Node) { s.Text = r.text(n) },
		"picture":    func(n *yaml.Node) { s.Picture = r.text(n) },
		"offers":     func(n *yaml.Node) { s.Offers = r.texts(n) },
		"plain":      func(n *yaml.Node) { s.Plain = r.flag(n) },
		"when":       func(n *yaml.Node) { only = append(only, r.cond(n)) },
		"when_block": func(n *yaml.Node) { only = append(only, r.block(n)) },
		"unless":     func(n *yaml.Node) { s.Unless = r.block(n) },
		"below":      func(n *yaml.Node) { s.Below = r.disposition(n) },
		"given":      func(n *yaml.Node) { s.Given = r.given(n) },
	})
	if len(only) > 0 {
		s.Only = Cond{Op: All, Of: only, Line: n.Line}
	}
	if s.Section == "" {
		return []Screen{s}
	}
	var list []Screen
	for _, f := range section {
		one := s
		one.Name, one.Facts = string(f), []care.Fact{f}
		list = append(list, one)
	}
	return list
}

// block reads the names of blocks; check puts their conditions in.
func (r *reader) block(n *yaml.Node) Cond {
	c := Cond{Op: AnyCond, Line: n.Line}
	for _, name := range r.texts(n) {
		c.Of = append(c.Of, Cond{Op: "block", Values: []string{name}, Line: n.Line})
	}
	return c
}

func (r *reader) given(n *yaml.Node) *Given {
	g := &Given{}
	for _, e := range r.entries(n, "given") {
		if e.key == "is" {
			g.Is = r.text(e.value)
			continue
		}
		g.Fact, g.Value = care.Fact(e.key), r.text(e.value)
	}
	return g
}

func (r *reader) followUp(p *Protocol, n *yaml.Node) {
	f := &p.Follow
	r.fields(n, "follow_up", map[string]func(*yaml.Node){
		"night": func(n *yaml.Node) {
			r.fields(n, "night", map[string]func(*yaml.Node){
				"from":         func(n *yaml.Node) { f.Night.From = r.clock(n) },
				"to":           func(n *yaml.Node) { f.Night.To = r.clock(n) },
				"longest_wait": func(n *yaml.Node) { f.Night.Longest = r.span(n) },
			})
		},
		"least_after_talk": func(n *yaml.Node) { f.LeastAfterTalk = r.span(n) },
		"checks": func(n *yaml.Node) {
			for _, c := range n.Content {
				f.Checks = append(f.Checks, r.due(c))
			}
		},
		"none_left":         func(n *yaml.Node) { f.NoneLeft = r.due(n) },
		"last":              func(n *yaml.Node) { f.Last = r.due(n) },
		"once_more":         func(n *yaml.Node) { f.OnceMore = r.due(n) },
		"repeat_after":      func(n *yaml.Node) { f.RepeatAfter = r.span(n) },
		"no_reply_after":    func(n *yaml.Node) { f.NoReplyAfter = r.span(n) },
		"replaced_within":   func(n *yaml.Node) { f.ReplacedWithin = r.span(n) },
		"baseline_at_least": func(n *yaml.Node) { f.BaselineAtLeast = r.span(n) },
		"swelling_free": func(n *yaml.Node) {
			r.fields(n, "swelling_free", map[string]func(*yaml.Node){
				"what":        func(n *yaml.Node) { f.SwellingFree.What = r.text(n) },
				"entry_under": func(n *yaml.Node) { f.SwellingFree.EntryUnder = r.span(n) },
			})
		},
		"seen":                 func(n *yaml.Node) { f.Seen = r.seenTimes(n) },
		"keep_without_consent": func(n *yaml.Node) { f.KeepNoConsent = r.span(n) },
		"keep":                 func(n *yaml.Node) { f.Keep = r.span(n) },
	})
}

func (r *reader) due(n *yaml.Node) Due {
	var d Due
	r.fields(n, "a check", map[string]func(*yaml.Node){
		"what":  func(n *yaml.Node) { d.What = r.text(n) },
		"after": func(n *yaml.Node) { d.After = r.span(n) },
	})
	return d
}

func (r *reader) seenTimes(n *yaml.Node) map[care.Disposition]SeenAt {
	times := map[care.Disposition]SeenAt{}
	for _, e := range r.entries(n, "seen") {
		d, err := care.ParseDisposition(e.key)
		if err != nil {
			r.at(e.node, "%v", err)
		}
		var s SeenAt
		r.fields(e.value, "seen "+e.key, map[string]func(*yaml.Node){
			"at":       func(n *yaml.Node) { s.At = r.spans(n) },
			"any_hour": func(n *yaml.Node) { s.AnyHour = r.flag(n) },
			"repeat":   func(n *yaml.Node) { s.Repeat = r.span(n) },
		})
		times[d] = s
	}
	return times
}

func (r *reader) checkRows(p *Protocol, n *yaml.Node) {
	c := &p.Check
	r.fields(n, "check", map[string]func(*yaml.Node){
		"steps_from":          func(n *yaml.Node) { c.StepsFrom = r.span(n) },
		"steps_to":            func(n *yaml.Node) { c.StepsTo = r.disposition(n) },
		"steps_to_when_clear": func(n *yaml.Node) { c.StepsToWhenClear = r.disposition(n) },
		"worse_by":            func(n *yaml.Node) { c.WorseBy = r.number(n) },
		"worse_to":            func(n *yaml.Node) { c.WorseTo = r.disposition(n) },
		"still_strong": func(n *yaml.Node) {
			r.fields(n, "still_strong", map[string]func(*yaml.Node){
				"from": func(n *yaml.Node) { c.StillStrongFrom = r.number(n) },
				"to":   func(n *yaml.Node) { c.StillStrongTo = r.disposition(n) },
			})
		},
		"not_improved": func(n *yaml.Node) { c.NotImproved = r.disposition(n) },
		"improved": func(n *yaml.Node) {
			r.fields(n, "improved", map[string]func(*yaml.Node){
				"points":     func(n *yaml.Node) { c.Points = r.number(n) },
				"share":      func(n *yaml.Node) { c.Share = r.number(n) },
				"entry_from": func(n *yaml.Node) { c.EntryFrom = r.number(n) },
			})
		},
		"source": func(n *yaml.Node) { r.text(n) },
	})
}
