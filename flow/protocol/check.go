package protocol

import (
	"slices"
	"strings"

	"turnstone/care"
)

var talkKinds = []string{First, Emergent, CareTalk, Crutches, Check, Last, Seen, DangerAsk, UnsafeAsk}

// check looks at the whole file at once: what one place names, another must
// have. It also puts groups and blocks in where they are named.
func (r *reader) check(p *Protocol) {
	r.checkFacts(p)
	r.checkSigns(p)
	r.checkGroups(p)
	r.checkRoles(p)
	for name, c := range p.Blocks {
		p.Blocks[name] = r.settle(p, c)
	}
	for name, c := range p.Series {
		p.Series[name] = r.settle(p, c)
	}
	for i := range p.Raise {
		row := &p.Raise[i]
		row.When = r.settle(p, row.When)
		r.known(p, row.Line, row.Names...)
		if row.To <= care.Home {
			r.line(row.Line, "a raise row to %q raises nothing; use clinician or more", row.To)
		}
		r.source(p, row.Line, row.Source)
	}
	p.Rules.NotApplicable = r.settle(p, p.Rules.NotApplicable)
	for i := range p.Rules.Rules {
		rule := &p.Rules.Rules[i]
		rule.Needs = r.settle(p, rule.Needs)
		r.known(p, rule.Needs.Line, append(rule.Any, rule.BothNo...)...)
	}
	r.checkTalks(p)
	r.checkAsked(p)
	r.checkFollow(p)
}

func (r *reader) source(p *Protocol, line int, text string) {
	if text == "" {
		r.line(line, "no source; name one of `sources:`, or cp for common practice")
		return
	}
	for _, part := range strings.FieldsFunc(text, func(c rune) bool { return c == ',' || c == ';' }) {
		word, _, _ := strings.Cut(strings.TrimSpace(part), " ")
		if _, ok := p.Sources[word]; ok {
			return
		}
	}
	r.line(line, "source %q names none of `sources:`; add it there", text)
}

// known reports facts that the file does not have.
func (r *reader) known(p *Protocol, line int, facts ...care.Fact) bool {
	ok := true
	for _, f := range facts {
		if p.Facts[f] == nil {
			r.line(line, "no fact is called %q; add it under `facts:` or mend the name", f)
			ok = false
		}
	}
	return ok
}

// domain lists what a fact can hold.
func (p *Protocol) domain(f *Fact) []string {
	var d []string
	switch f.Kind {
	case care.YesNo:
		d = append([]string{care.Yes, care.No, care.Unsure}, f.Values...)
	case care.Consent:
		d = []string{care.Yes, care.No}
	default:
		d = append(d, f.Values...)
		for _, b := range f.Bands {
			d = append(d, b.Name)
		}
		d = append(d, care.Unsure, f.Unread)
	}
	if f.Name == p.Roles.Region {
		d = append(d, "unknown")
	}
	return d
}

func (r *reader) checkFacts(p *Protocol) {
	kinds := []care.Kind{care.YesNo, care.OneOf, care.Several, care.Scale, care.Age, care.Since, care.Height, care.Consent}
	for _, name := range p.Order {
		f := p.Facts[name]
		r.source(p, f.Line, f.Source)
		if !slices.Contains(kinds, f.Kind) {
			r.line(f.Line, "fact %q has kind %q; it must be one of %v", name, f.Kind, kinds)
		}
		if (f.Kind == care.OneOf || f.Kind == care.Several) && len(f.Values) == 0 {
			r.line(f.Line, "fact %q is %s and needs `values:`", name, f.Kind)
		}
		if f.Kind == care.Age && f.Unread == "" || f.Kind == care.Since && f.Unread == "" {
			r.line(f.Line, "fact %q needs `unread:`, the band of an answer that can't be read", name)
		}
		domain := p.domain(f)
		for v := range f.To {
			r.inDomain(f, domain, v, f.Line)
		}
		for _, v := range append(append([]string{}, f.Sensitive...), f.UnsureMeans...) {
			r.inDomain(f, domain, v, f.Line)
		}
		r.checkUnsure(f)
		for _, pl := range f.Plans {
			if p.Talks[pl.What] == nil {
				r.line(f.Line, "fact %q plans %q, and no talk is called so", name, pl.What)
			}
		}
	}
}

func (r *reader) inDomain(f *Fact, domain []string, v string, line int) {
	if !slices.Contains(domain, v) {
		r.line(line, "fact %q can't be %q; it can be %s", f.Name, v, strings.Join(slices.DeleteFunc(slices.Clone(domain), func(s string) bool { return s == "" }), ", "))
	}
}

// checkUnsure holds the rule that doubt counts as the dangerous answer.
func (r *reader) checkUnsure(f *Fact) {
	if len(f.To) == 0 || f.Kind == care.Several || f.Kind == care.Age || f.Kind == care.Since {
		return
	}
	if f.To[care.Unsure] < f.Top() {
		r.line(f.Line, "fact %q: not sure must lead to %s as the dangerous answer does", f.Name, f.Top())
	}
	if f.Danger && f.Top() < care.Emergency {
		r.line(f.Line, "fact %q is a danger and must lead to emergency or ambulance", f.Name)
	}
}

func (r *reader) checkSigns(p *Protocol) {
	known := care.Signs()
	for s, f := range p.BySign {
		if !slices.Contains(known, s) {
			r.line(p.Facts[f].Line, "the screen knows no sign %q; it knows %v", s, known)
		}
	}
	for s, sign := range p.Signs {
		if !slices.Contains(known, s) {
			r.line(1, "the screen knows no sign %q under `signs:`; it knows %v", s, known)
		}
		if sign.Talk != "" && p.Talks[sign.Talk] == nil {
			r.line(1, "sign %q opens the talk %q, and there is none", s, sign.Talk)
		}
	}
	for _, s := range known {
		_, fact := p.BySign[s]
		if !fact && p.Signs[s] == nil {
			r.line(1, "sign %q has no place; give it to a fact with `signs:` or list it under `signs:`", s)
		}
	}
}

func (r *reader) checkGroups(p *Protocol) {
	for name, facts := range p.Groups {
		if r.known(p, 1, facts...) && len(facts) == 0 {
			r.line(1, "group %q is empty", name)
		}
	}
}

func (r *reader) checkRoles(p *Protocol) {
	ro := p.Roles
	for _, role := range []struct {
		what string
		fact care.Fact
		kind care.Kind
		need bool
	}{
		{"region", ro.Region, care.OneOf, true},
		{"age", ro.Age, care.Age, true},
		{"adult", ro.Adult, care.YesNo, true},
		{"consent", ro.Consent, care.Consent, true},
		{"day_zero", ro.DayZero, care.Since, true},
		{"ride", ro.Ride, care.YesNo, true},
		{"seen", ro.Seen, care.YesNo, true},
		{"xray", ro.Xray, care.OneOf, false},
		{"height", ro.Height, care.Height, false},
		{"safe_time", ro.SafeTime, care.OneOf, true},
		{"overall", ro.Overall, care.OneOf, true},
		{"pain", ro.Pain, care.Scale, false},
		{"walking", ro.Walking, care.OneOf, false},
		{"swelling", ro.Swelling, care.OneOf, false},
		{"steps", ro.Steps, care.YesNo, false},
	} {
		switch f := p.Facts[role.fact]; {
		case role.fact == "" && role.need:
			r.line(1, "roles: nothing plays %q; name the fact that does", role.what)
		case role.fact != "" && f == nil:
			r.line(1, "roles: %q is played by %q, and no fact is called so", role.what, role.fact)
		case f != nil && f.Kind != role.kind:
			r.line(f.Line, "roles: %q is played by a %s fact, not by %q of kind %s", role.what, role.kind, f.Name, f.Kind)
		}
	}
	if len(p.Groups[ro.DangerFirst]) == 0 {
		r.line(1, "roles: danger_first must name a group of danger facts")
	}
}

// settle puts groups and blocks into a condition and checks its names.
func (r *reader) settle(p *Protocol, c Cond) Cond {
	if c.Op == "block" {
		block, ok := p.Blocks[c.Values[0]]
		if !ok {
			r.line(c.Line, "no block is called %q; add it under `blocks:`", c.Values[0])
		}
		return r.settle(p, block)
	}
	if c.Fact != "" {
		if !r.known(p, c.Line, c.Fact) {
			return c
		}
		for _, v := range c.Values {
			r.inDomain(p.Facts[c.Fact], p.domain(p.Facts[c.Fact]), v, c.Line)
		}
	}
	if c.Op == AnyDanger {
		c.Facts = p.dangers()
	}
	if c.Op == AnotherOf || c.Op == UnsureIn {
		c.Facts = r.members(p, c)
	}
	c.Of = slices.Clone(c.Of)
	for i := range c.Of {
		c.Of[i] = r.settle(p, c.Of[i])
	}
	return c
}

func (r *reader) members(p *Protocol, c Cond) []care.Fact {
	var facts []care.Fact
	for _, name := range c.Facts {
		if group, ok := p.Groups[string(name)]; ok {
			facts = append(facts, group...)
			continue
		}
		if r.known(p, c.Line, name) {
			facts = append(facts, name)
		}
	}
	return facts
}

func (p *Protocol) dangers() []care.Fact {
	return slices.DeleteFunc(slices.Clone(p.Order), func(f care.Fact) bool { return !p.Facts[f].Danger })
}

func (r *reader) checkTalks(p *Protocol) {
	count := map[string]int{}
	for _, name := range p.TalkSeq {
		t := p.Talks[name]
		count[t.Kind]++
		if !slices.Contains(talkKinds, t.Kind) {
			r.line(t.Line, "talk %q has kind %q; it must be one of %v", name, t.Kind, talkKinds)
		}
		if len(t.Screens) == 0 {
			r.line(t.Line, "talk %q asks nothing; give it an `order:`", name)
		}
		for _, next := range t.Then {
			if next != Rest && p.Talks[next] == nil {
				r.line(t.Line, "talk %q goes on to %q, and there is none", name, next)
			}
		}
		seen := map[string]bool{}
		for i := range t.Screens {
			s := &t.Screens[i]
			if seen[s.Name] {
				r.line(s.Line, "talk %q asks %q twice; a state has one name", name, s.Name)
			}
			seen[s.Name] = true
			r.checkScreen(p, s)
		}
	}
	for _, kind := range []string{First, Emergent, UnsafeAsk, Seen} {
		if count[kind] != 1 {
			r.line(1, "there must be exactly one talk of kind %s; there are %d", kind, count[kind])
		}
	}
}

// Rest is where a talk goes when nothing more is asked.
const Rest = "rest"

func (r *reader) checkScreen(p *Protocol, s *Screen) {
	s.Only, s.Unless = r.settle(p, s.Only), r.settle(p, s.Unless)
	switch {
	case s.Kind == care.AnyOf:
		s.Facts = p.Groups[s.Name]
		if len(s.Facts) == 0 {
			r.line(s.Line, "no group is called %q; add it under `groups:`", s.Name)
		}
	case s.Say == "":
		if !r.known(p, s.Line, s.Facts...) || len(s.Facts) == 0 {
			r.line(s.Line, "a screen needs `fact:`, `screen:`, `section:` with `facts:`, or `say:`")
			return
		}
		f := p.Facts[s.Facts[0]]
		s.Kind = f.Kind
		if s.Picture == "" {
			s.Picture = f.Picture
		}
	}
	if s.Text == "" {
		s.Text = s.Name
	}
	for _, o := range s.Offers {
		if _, ok := p.Offers[o]; !ok {
			r.line(s.Line, "no offer is called %q; add it under `offers:`", o)
		}
	}
	if g := s.Given; g != nil && r.known(p, s.Line, g.Fact) {
		r.inDomain(p.Facts[g.Fact], p.domain(p.Facts[g.Fact]), g.Value, s.Line)
		r.inDomain(p.Facts[s.Facts[0]], p.domain(p.Facts[s.Facts[0]]), g.Is, s.Line)
	}
}

// checkAsked finds facts that no talk asks: they could never be answered.
func (r *reader) checkAsked(p *Protocol) {
	asked := map[care.Fact]bool{}
	for _, t := range p.Talks {
		for _, s := range t.Screens {
			for _, f := range s.Facts {
				asked[f] = true
			}
		}
	}
	for _, name := range p.Order {
		if !asked[name] {
			r.line(p.Facts[name].Line, "fact %q is asked nowhere; put it into a talk or take it out", name)
		}
	}
}

func (r *reader) checkFollow(p *Protocol) {
	f := p.Follow
	for _, d := range append(slices.Clone(f.Checks), f.NoneLeft, f.Last, f.OnceMore) {
		if d.What != "" && p.Talks[d.What] == nil {
			r.line(1, "follow_up: %q is no talk", d.What)
		}
	}
	if len(f.Checks) == 0 || f.NoneLeft.What == "" {
		r.line(1, "follow_up: somebody must be asked again; give `checks:` and `none_left:`")
	}
	if f.Night.Longest <= 0 || f.RepeatAfter <= 0 || f.NoReplyAfter <= 0 || f.KeepNoConsent <= 0 || f.Keep <= 0 {
		r.line(1, "follow_up: night, repeat_after, no_reply_after, keep and keep_without_consent must be given")
	}
	for _, d := range []care.Disposition{care.Clinician, care.SameDay, care.Emergency, care.Ambulance} {
		if len(f.Seen[d].At) == 0 {
			r.line(1, "follow_up: nobody asks %s whether they were seen; add it under `seen:`", d)
		}
	}
}
