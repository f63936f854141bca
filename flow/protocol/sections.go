package protocol

import (
	"go.yaml.in/yaml/v3"

	"turnstone/care"
)

func (r *reader) protocol(n *yaml.Node) *Protocol {
	p := &Protocol{
		Sources: map[string]string{}, Facts: map[care.Fact]*Fact{}, Signs: map[care.Sign]*Sign{}, BySign: map[care.Sign]care.Fact{},
		Blocks: map[string]Cond{}, Groups: map[string][]care.Fact{}, Talks: map[string]*Talk{}, Offers: map[string]Offer{}, Series: map[string]Cond{},
	}
	r.fields(n, "the protocol", map[string]func(*yaml.Node){
		"protocol":  func(n *yaml.Node) { p.Name = r.text(n) },
		"version":   func(n *yaml.Node) { p.Version = r.number(n) },
		"sources":   func(n *yaml.Node) { r.sources(p, n) },
		"facts":     func(n *yaml.Node) { r.allFacts(p, n) },
		"signs":     func(n *yaml.Node) { r.signs(p, n) },
		"raise":     func(n *yaml.Node) { r.raise(p, n) },
		"blocks":    func(n *yaml.Node) { r.named(p.Blocks, n, "blocks") },
		"groups":    func(n *yaml.Node) { r.groups(p, n) },
		"talks":     func(n *yaml.Node) { r.talks(p, n) },
		"offers":    func(n *yaml.Node) { r.offers(p, n) },
		"roles":     func(n *yaml.Node) { r.roles(p, n) },
		"rules":     func(n *yaml.Node) { r.rules(p, n) },
		"series":    func(n *yaml.Node) { r.named(p.Series, n, "series") },
		"follow_up": func(n *yaml.Node) { r.followUp(p, n) },
		"check":     func(n *yaml.Node) { r.checkRows(p, n) },
	})
	if p.Name == "" || p.Version < 1 {
		r.at(n, "`protocol:` needs a name and `version:` a number from 1")
	}
	return p
}

func (r *reader) sources(p *Protocol, n *yaml.Node) {
	for _, e := range r.entries(n, "sources") {
		p.Sources[e.key] = r.text(e.value)
	}
}

func (r *reader) named(into map[string]Cond, n *yaml.Node, what string) {
	for _, e := range r.entries(n, what) {
		into[e.key] = r.cond(e.value)
	}
}

func (r *reader) groups(p *Protocol, n *yaml.Node) {
	for _, e := range r.entries(n, "groups") {
		p.Groups[e.key] = r.facts(e.value)
	}
}

func (r *reader) allFacts(p *Protocol, n *yaml.Node) {
	for _, e := range r.entries(n, "facts") {
		f := r.fact(e)
		p.Facts[f.Name] = f
		p.Order = append(p.Order, f.Name)
		for _, s := range f.Signs {
			if other, taken := p.BySign[s]; taken {
				r.at(e.node, "sign %q belongs to %q already; a sign has one fact", s, other)
			}
			p.BySign[s] = f.Name
		}
	}
}

func (r *reader) fact(e entry) *Fact {
	f := &Fact{Name: care.Fact(e.key), To: map[string]care.Disposition{}, Line: e.node.Line}
	var bands *yaml.Node
	r.fields(e.value, "fact "+e.key, map[string]func(*yaml.Node){
		"kind":         func(n *yaml.Node) { f.Kind = care.Kind(r.text(n)) },
		"danger":       func(n *yaml.Node) { f.Danger = r.flag(n) },
		"values":       func(n *yaml.Node) { f.Values = r.texts(n) },
		"bands":        func(n *yaml.Node) { bands = n },
		"unread":       func(n *yaml.Node) { f.Unread = r.text(n) },
		"unsure_means": func(n *yaml.Node) { f.UnsureMeans = r.texts(n) },
		"to":           func(n *yaml.Node) { f.To = r.to(n) },
		"plans":        func(n *yaml.Node) { f.Plans = r.plans(n) },
		"sensitive":    func(n *yaml.Node) { f.Sensitive = r.texts(n) },
		"picture":      func(n *yaml.Node) { f.Picture = r.text(n) },
		"said_like":    func(n *yaml.Node) { f.SaidLike = r.text(n) },
		"signs": func(n *yaml.Node) {
			for _, s := range r.texts(n) {
				f.Signs = append(f.Signs, care.Sign(s))
			}
		},
		"source": func(n *yaml.Node) { f.Source = r.text(n) },
	})
	if bands != nil {
		f.Bands = r.bands(bands, f.Kind)
	}
	return f
}

func (r *reader) plans(n *yaml.Node) []Plan {
	var list []Plan
	for _, c := range n.Content {
		var pl Plan
		r.fields(c, "plans", map[string]func(*yaml.Node){
			"when":  func(n *yaml.Node) { pl.When = r.texts(n) },
			"what":  func(n *yaml.Node) { pl.What = r.text(n) },
			"after": func(n *yaml.Node) { pl.After = r.span(n) },
		})
		list = append(list, pl)
	}
	return list
}

func (r *reader) signs(p *Protocol, n *yaml.Node) {
	for _, e := range r.entries(n, "signs") {
		s := &Sign{}
		r.fields(e.value, "sign "+e.key, map[string]func(*yaml.Node){
			"to":        func(n *yaml.Node) { s.To = r.disposition(n) },
			"sensitive": func(n *yaml.Node) { s.Sensitive = r.flag(n) },
			"crisis":    func(n *yaml.Node) { s.Crisis = r.flag(n) },
			"private":   func(n *yaml.Node) { s.Private = r.flag(n) },
			"talk":      func(n *yaml.Node) { s.Talk = r.text(n) },
		})
		p.Signs[care.Sign(e.key)] = s
	}
}

func (r *reader) raise(p *Protocol, n *yaml.Node) {
	for _, c := range n.Content {
		row := Row{Line: c.Line}
		for _, e := range r.entries(c, "raise") {
			switch e.key {
			case "to":
				row.To = r.disposition(e.value)
			case "names":
				row.Names = r.facts(e.value)
			case "source":
				row.Source = r.text(e.value)
			case "ever":
				row.Ever = r.flag(e.value)
			case "all", "any":
				row.When = r.condOf(e.node, e.value)
			default:
				r.at(e.node, "a raise row has no field %q; it knows to, all, any, ever, names, source", e.key)
			}
		}
		if row.When.Op == "" || row.To == 0 {
			r.at(c, "a raise row needs `to:` and `all:` or `any:`")
		}
		p.Raise = append(p.Raise, row)
	}
}

func (r *reader) offers(p *Protocol, n *yaml.Node) {
	for _, e := range r.entries(n, "offers") {
		var o Offer
		r.fields(e.value, "offer "+e.key, map[string]func(*yaml.Node){
			"talk":    func(n *yaml.Node) { o.Talk = r.text(n) },
			"timer":   func(n *yaml.Node) { o.Timer = r.span(n) },
			"longest": func(n *yaml.Node) { o.Longest = r.span(n) },
		})
		if o.Timer > o.Longest {
			r.at(e.node, "offer %q runs longer than its longest; the timer must end before", e.key)
		}
		p.Offers[e.key] = o
	}
}

func (r *reader) roles(p *Protocol, n *yaml.Node) {
	ro := &p.Roles
	to := map[string]*care.Fact{
		"region": &ro.Region, "age": &ro.Age, "adult": &ro.Adult, "consent": &ro.Consent, "day_zero": &ro.DayZero, "ride": &ro.Ride,
		"seen": &ro.Seen, "xray": &ro.Xray, "height": &ro.Height, "safe_time": &ro.SafeTime, "overall": &ro.Overall,
		"pain": &ro.Pain, "walking": &ro.Walking, "swelling": &ro.Swelling, "steps": &ro.Steps,
	}
	known := map[string]func(*yaml.Node){"danger_first": func(n *yaml.Node) { ro.DangerFirst = r.text(n) }}
	for name, f := range to {
		known[name] = func(n *yaml.Node) { *f = care.Fact(r.text(n)) }
	}
	r.fields(n, "roles", known)
}

func (r *reader) rules(p *Protocol, n *yaml.Node) {
	for _, e := range r.entries(n, "rules") {
		switch e.key {
		case "source":
		case "not_applicable":
			p.Rules.NotApplicable = r.cond(e.value)
		case "instead":
			in := &p.Rules.Instead
			r.fields(e.value, "instead", map[string]func(*yaml.Node){
				"fact": func(n *yaml.Node) { in.Fact = care.Fact(r.text(n)) },
				"by":   func(n *yaml.Node) { in.By = care.Fact(r.text(n)) },
				"yes":  func(n *yaml.Node) { in.Yes = r.texts(n) },
				"no":   func(n *yaml.Node) { in.No = r.texts(n) },
			})
		default:
			p.Rules.Rules = append(p.Rules.Rules, r.rule(e))
		}
	}
}

func (r *reader) rule(e entry) Rule {
	rule := Rule{Name: e.key}
	r.fields(e.value, "rule "+e.key, map[string]func(*yaml.Node){
		"needs": func(n *yaml.Node) { rule.Needs = r.cond(n) },
		"any": func(n *yaml.Node) {
			for _, c := range n.Content {
				if c.Kind == yaml.MappingNode {
					r.fields(c, "a criterion", map[string]func(*yaml.Node){
						"both_no": func(n *yaml.Node) { rule.BothNo = r.facts(n) },
					})
					continue
				}
				rule.Any = append(rule.Any, care.Fact(r.text(c)))
			}
		},
	})
	return rule
}
