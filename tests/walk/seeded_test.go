package walk_test

import (
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
	"turnstone/tests/walk"
)

// A walk that finds nothing proves little unless it finds what is there. Each
// fault is put in on purpose, in the protocol's file or around Step, and must
// be caught: by the loader, or by the walk and under the rule that it breaks.
func TestSeededFaultsInTheFileAreCaught(t *testing.T) {
	data, err := os.ReadFile(ankleFile)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []struct{ name, old, new, by, first string }{
		{"a combination asks for less", `{to: ambulance, all: [{deformed: "yes"}`, `{to: emergency, all: [{deformed: "yes"}`, walk.BelowFloor, ""},
		{"no ride is no reason", `{ride: ["no", unsure]}`, `{ride: [unsure]}`, walk.BelowFloor, ""},
		{"not sure about a ride is a yes", `{ride: ["no", unsure]}`, `{ride: ["no"]}`, walk.BelowFloor, ""},
		{"an unreadable swelling is none", `{blood_thinner: "yes"}, {swelling: [large, unsure]}`, `{blood_thinner: "yes"}, {swelling: [large]}`, walk.BelowFloor, "open =none =none =US =18 =yes =PT6H =blood_thinner =no =left =ankle =none =no =no =no =no =no =no =yes =0"},
		{"danger B is asked of children only", "- {screen: danger_b, plain: true}\n    - {fact: region", "- {screen: danger_b, plain: true, when: {age_years: child}}\n    - {fact: region", walk.CareUnasked, ""},
		{"danger B forgets a numb foot", "danger_b: [foot_numb, deformed", "danger_b: [deformed", walk.CareUnasked, ""},
		{"danger B is empty", "danger_b: [foot_numb, deformed, high_energy, landed_on_heels, pain_out_of_control, other_severe_pain, calf_pain_or_swelling, fever_or_redness]", "danger_b: []", loader, ""},
		{"a bone point asks for less", "fifth_metatarsal:     {kind: yesno, to: same_day", "fifth_metatarsal:     {kind: yesno, to: clinician", walk.BelowFloor, "open =none =none =US =18 =yes =PT6H =none =left =ankle"},
		{"not sure about four steps is a yes", "to: {\"no\": same_day, unsure: same_day}\n    signs:", "to: {\"no\": same_day}\n    signs:", loader, ""},
		{"a danger asks for a clinician", "deformed:              {kind: yesno, danger: true, to: emergency", "deformed:              {kind: yesno, danger: true, to: clinician", loader, ""},
		{"same day goes on to home care", "then: {home: home, clinician: protect, same_day: protect}", "then: {home: home, clinician: protect, same_day: home}", walk.CareAbove, ""},
		{"a knock on the head is not asked of the old", "intoxicated, {age_years: [infant, one, small, older]}", "intoxicated, {age_years: [infant, one, small]}", walk.NotAsked, "open =none =none =US =65"},
		{"a deep wound is not asked for", "{fact: wound_deep, when: {wound: \"yes\"}}", "{fact: wound_deep, when: {wound: unsure}}", walk.NotAsked, ""},
		{"cold for skin that can't take it", "{say: care_cold, unless: cold,", "{say: care_cold,", walk.Harmful, "open =none =none =US =18 =yes =PT6H =none =left =ankle =none =no =no =no =no =no =no =yes =0 =none =normal =yes"},
		{"an unknown day of injury is fine", "to: {old: clinician, unknown: clinician}", "to: {old: clinician}", walk.BelowFloor, ""},
		{"a sign has no place", "signs: [stroke], ", "", loader, ""},
		{"the ride is not asked", "    kind: emergency\n    order:\n    - {fact: ride}", "    kind: emergency\n    order: []", loader, ""},
	} {
		t.Run(f.name, func(t *testing.T) {
			if strings.Count(string(data), f.old) != 1 {
				t.Fatalf("the file does not hold %q once", f.old)
			}
			p, err := protocol.Parse("seeded.yaml", []byte(strings.Replace(string(data), f.old, f.new, 1)))
			caught(t, f.by, p, err, nil, strings.Fields(f.first)...)
		})
	}
}

// loader stands for a fault that the file is refused for.
const loader = "the loader"

// caught fails unless the fault is found by the one that should find it.
func caught(t *testing.T, by string, p *protocol.Protocol, refused error, seed func(walk.Step) walk.Step, first ...string) {
	t.Helper()
	if by == loader {
		if refused == nil {
			t.Error("the loader takes it")
		}
		return
	}
	if refused != nil {
		t.Fatalf("the loader refuses it already: %v", refused)
	}
	w, err := walk.New(p)
	if err != nil {
		t.Fatal(err)
	}
	if seed != nil {
		w.Step = seed(w.Step)
	}
	r := w.Walk(walk.Config{Each: 1, Backs: 1, First: first, Workers: runtime.GOMAXPROCS(0), Enough: 1, Contract: walk.Ankle()})
	if len(r.Of(by)) == 0 {
		t.Errorf("after %s: want %q, got %v", r, by, r.Violations)
	}
}

// Faults that code around the protocol could make.
func TestSeededFaultsInTheCodeAreCaught(t *testing.T) {
	back := func(ev care.Event) bool { return ev.Text == "!back" }
	for _, f := range []struct {
		name, by string
		seed     func(before care.Episode, ev care.Event, after *care.Episode)
	}{
		{"going back lowers", walk.Lowered, func(before care.Episode, ev care.Event, after *care.Episode) {
			if back(ev) && after.Disposition == care.SameDay {
				after.Disposition = care.Clinician
			}
		}},
		{"going back forgets a reason", walk.Forgotten, func(before care.Episode, ev care.Event, after *care.Episode) {
			if n := len(after.Reasons); back(ev) && n > 0 {
				after.Reasons = after.Reasons[:n-1]
			}
		}},
		{"stop closes an emergency", walk.Forgotten, func(before care.Episode, ev care.Event, after *care.Episode) {
			after.Open = after.Open && ev.Text != "!stop"
		}},
		{"cold at same day", walk.CareAbove, func(_ care.Episode, _ care.Event, after *care.Episode) {
			if after.Disposition == care.SameDay {
				say(after, "say.care_cold")
			}
		}},
		{"raising the leg while an emergency is open", walk.ProtectOpen, func(_ care.Episode, ev care.Event, after *care.Episode) {
			if after.Open && ev.Text == "!why" {
				say(after, "say.protect")
			}
		}},
		{"words before the card", walk.CardFirst, func(_ care.Episode, ev care.Event, after *care.Episode) {
			if after.Open && ev.Text == "danger" {
				after.Agenda = append([]care.Item{message("greeting")}, after.Agenda...)
			}
		}},
		{"a sign is not heard at rest", walk.Missed, func(before care.Episode, ev care.Event, after *care.Episode) {
			if before.State == "rest" && ev.Text == "danger" {
				*after = before
				say(after, "rest.hello")
			}
		}},
		{"stop is not obeyed", walk.NotLeft, func(before care.Episode, ev care.Event, after *care.Episode) {
			if ev.Text == "!stop" && before.State == "day_0.who" {
				*after = before
				say(after, "cmd.stop")
			}
		}},
		{"help says nothing", walk.Silent, func(_ care.Episode, ev care.Event, after *care.Episode) {
			if ev.Text == "!help" {
				after.Agenda = nil
			}
		}},
		{"an answer is forgotten", walk.Forgotten, func(before care.Episode, ev care.Event, after *care.Episode) {
			if ev.Text == "!start_over" && len(after.Rounds) > 0 {
				after.Rounds = slices.Clone(after.Rounds)
				after.Rounds[0].Facts = nil
			}
		}},
		{"a check goes on in an emergency", walk.Planned, func(before care.Episode, _ care.Event, after *care.Episode) {
			if after.Open && !before.Open {
				after.Agenda = append(slices.Clone(after.Agenda), care.Item{ID: "x", What: "day_2", Due: after.LastHeard.Add(48 * time.Hour)})
			}
		}},
		{"an emergency is on nobody's list", walk.NoStaff, func(_ care.Episode, _ care.Event, after *care.Episode) {
			if after.Disposition == care.Emergency {
				after.Escalations = nil
			}
		}},
		{"a question without its buttons", walk.BadAsk, func(_ care.Episode, _ care.Event, after *care.Episode) {
			if after.State == "day_0.side" {
				after.Ask = nil
			}
		}},
		{"nothing ever ends", walk.DeadEnd, func(before care.Episode, ev care.Event, after *care.Episode) {
			if after.Closed && ev.Text != "!delete" {
				*after = before
				after.State, after.Ask, after.Trail, after.Aside, after.Doubt = "rest", nil, nil, care.Aside{}, ""
				say(after, "greeting")
			}
		}},
	} {
		t.Run(f.name, func(t *testing.T) {
			caught(t, f.by, ankle(t), nil, func(step walk.Step) walk.Step {
				return func(ep care.Episode, ev care.Event, found care.Finding, now time.Time) (care.Change, error) {
					ch, err := step(ep, ev, found, now)
					if err == nil {
						f.seed(ep, ev, &ch.Episode)
					}
					return ch, err
				}
			})
		})
	}
}

// Faults that change what comes in: an answer taken for another, and a step
// that fails.
func TestSeededFaultsInTheAnswersAreCaught(t *testing.T) {
	caught(t, walk.MilderUnsure, ankle(t), nil, func(step walk.Step) walk.Step {
		return func(ep care.Episode, ev care.Event, found care.Finding, now time.Time) (care.Change, error) {
			if ep.State == "day_0.heel_cord" && slices.Equal(ev.Choices, []string{care.Unsure}) {
				ev.Choices = []string{care.No}
			}
			return step(ep, ev, found, now)
		}
	})
	caught(t, walk.Fails, ankle(t), nil, func(step walk.Step) walk.Step {
		return func(ep care.Episode, ev care.Event, found care.Finding, now time.Time) (care.Change, error) {
			if ep.State == "day_0.age_years" && ev.Text == "=1" {
				panic("a year")
			}
			return step(ep, ev, found, now)
		}
	})
}

func message(key care.SentenceKey) care.Item {
	return care.Item{ID: "seeded", What: care.DoSay, Say: &care.Message{Lines: []care.Sentence{{Key: key}}}}
}

func say(ep *care.Episode, key care.SentenceKey) {
	ep.Agenda = append(slices.Clone(ep.Agenda), message(key))
}
