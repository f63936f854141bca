package flow

import (
	"turnstone/care"
	"turnstone/flow/protocol"
)

// closeSeen closes the loop: were they seen, and what did the X-ray say? An
// open emergency ends here only with both.
func (t *turn) closeSeen() error {
	r := t.round()
	r.Done = true
	half := t.leftHalfway()
	t.rose()
	seen, xray := r.Facts.Get(t.p.Roles.Seen).Latest(), r.Facts.Get(t.p.Roles.Xray).Latest()
	if seen == care.Yes && (xray == "fracture" || xray == "no_fracture") {
		return t.examined(xray)
	}
	t.notSeen()
	if t.ep.Open {
		t.again()
		return t.rest("")
	}
	if half {
		return t.advise(t.p.kinds[protocol.First])
	}
	if t.disposition() == care.Home {
		return t.rest(t.farewell()) // staff lowered it meanwhile
	}
	return t.rest("seen.no." + t.disposition().String())
}

// examined ends an open emergency and plans the checks again. Home text stays
// out until staff lower the disposition.
func (t *turn) examined(xray string) error {
	t.cancelWhat(t.p.kinds[protocol.Seen].Name, care.DoRepeat, care.DoNoReply)
	if t.ep.Open {
		t.emergencyOver()
	}
	if xray == "fracture" {
		t.say("say.fracture")
	} else {
		t.escalate(care.AboutLowerAsked)
		t.say("say.after_xray")
	}
	return t.rest(t.farewell())
}

// notSeen asks once more, and then tells staff.
func (t *turn) notSeen() {
	seen := t.p.kinds[protocol.Seen]
	if t.ep.SeenAsked > 1 {
		t.escalate(care.AboutNotSeen)
		return
	}
	at := t.p.Follow.Seen[t.disposition()]
	if at.AnyHour || at.Repeat == 0 || t.has(seen.Name) {
		return // the second time is planned already
	}
	t.planTalk(care.Item{What: seen.Name, Due: t.byDay(t.now.Add(at.Repeat)), Times: 1})
}
