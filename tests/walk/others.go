package walk

import (
	"slices"

	"turnstone/care"
)

// few are the signs that are tried from every state: an ambulance by its fact,
// one by its own name, a sensitive one, an urgent one of each strength, and
// "not safe here".
var few = []care.Sign{care.ChestPain, care.NoFeeling, care.AskedForAmbulance, care.SelfHarm, care.Deformity, care.ShortFaint, care.Wound, care.NotSafe}

func (w *World) signActs(ep *care.Episode, cfg *Config) []act {
	list := few
	if cfg.AllSigns {
		list = care.Signs()
	}
	var acts []act
	for _, s := range list {
		acts = append(acts, act{
			label: "sign:" + string(s), ev: care.Event{Kind: care.Said, Text: "danger"}, found: care.Finding{Sign: s}, kind: signs,
			follow: slices.Contains(few, s),
		})
	}
	for _, s := range []care.Sign{care.ChestPain, care.Deformity} {
		acts = append(acts, act{
			label: "perhaps:" + string(s), ev: care.Event{Kind: care.Said, Text: "perhaps"}, found: care.Finding{Sign: s, Doubtful: true}, kind: doubts,
			follow: cfg.Asides,
		})
	}
	return acts
}

// dueActs lets each kind of planned item fall due, at its time or, where the
// person was slow, when they are.
func (w *World) dueActs(n *node) []act {
	var acts []act
	seen := map[string]bool{}
	for _, it := range n.ep.Agenda {
		if it.What == care.DoSay || it.What == care.DoRaise || seen[itemName(it)] {
			continue
		}
		seen[itemName(it)] = true
		acts = append(acts, act{label: "due:" + itemName(it), ev: care.Event{Kind: care.FellDue, Item: it}, now: it.Due, kind: dues, follow: !nagging(it.What)})
	}
	return acts
}

// staffActs: somebody takes the item, closes it, brings the person home, or
// calls for an ambulance.
func (w *World) staffActs(n *node, cfg *Config) []act {
	i := slices.IndexFunc(n.ep.Escalations, func(e care.Escalation) bool { return e.What == care.AboutDisposition })
	if i < 0 || n.ep.Escalations[i].State == care.StateClosed {
		return nil
	}
	id := n.ep.Escalations[i].ID
	follow := n.used.staff < cfg.Staff && (cfg.StaffFrom == nil || slices.Contains(cfg.StaffFrom, n.ep.State))
	var acts []act
	spends := spent{staff: 1}
	if n.used.staff >= cfg.Staff {
		spends = spent{}
	}
	add := func(label string, a care.StaffAct, follow bool) {
		a.ID, a.By = id, "Mira Sol"
		acts = append(acts, act{label: "staff:" + label, ev: care.Event{Kind: care.StaffDid, Staff: a}, kind: staffActs, spends: spends, follow: follow})
	}
	add("take", care.StaffAct{Do: "take"}, false)
	add("reply", care.StaffAct{Do: "reply", Text: "We are looking at it."}, false)
	add("call_back", care.StaffAct{Do: "call_back"}, false)
	add("close", care.StaffAct{Do: "close", Outcome: "seen"}, follow || cfg.Closes && n.ep.Open)
	add("lower", care.StaffAct{Do: "close", Outcome: "spoken_to", Disposition: care.Home}, follow)
	add("raise", care.StaffAct{Do: "close", Outcome: "spoken_to", Disposition: care.Ambulance}, follow)
	return acts
}
