package walk

import (
	"slices"
	"strings"

	"turnstone/care"
)

// The danger facts of the ankle and foot protocol. Sources: general emergency
// teaching; Stiell 2001 (dangerous mechanism); Donaldson 2014 (pressure in the
// leg); van Stralen 2008 (clot after a minor injury).
const (
	dangerA = "chest_or_breathing collapsed stroke_signs head_or_neck heavy_bleeding bone_visible foot_cold_or_pale crushed_or_thrown"
	dangerB = "foot_numb deformed high_energy landed_on_heels pain_out_of_control other_severe_pain calf_pain_or_swelling fever_or_redness"
	points  = "lateral_malleolus medial_malleolus fifth_metatarsal navicular midfoot_press upper_shin"
	limb    = "wound too_swollen_to_press sole_bruise forced_up heel_cord " + points
)

// Ankle is the contract of the ankle and foot protocol, version 1.
func Ankle() *Contract {
	c := &Contract{}
	for _, f := range strings.Fields(dangerA + " " + dangerB) {
		c.Dangers = append(c.Dangers, care.Fact(f))
	}
	c.Single = slices.Concat(
		On(care.Ambulance, dangerA), On(care.Emergency, dangerB+" medicine_harm pregnancy_sign head_hit wound_deep"),
		On(care.SameDay, "cast_or_worse no_injury reduced_feeling intoxicated pregnant fragile_bones blood_thinner weak_immunity_or_metal "+limb),
		On(care.Clinician, "already_seen high_ankle giving_way burning_or_colour"),
		[]Floor{
			floor(care.Emergency, "sober_adult=no|unsure"), floor(care.Emergency, "age_years=infant"),
			floor(care.SameDay, "age_years=one|small|older"), floor(care.Clinician, "age_years=child"),
			floor(care.Clinician, "injured_at=old|unknown"), floor(care.Clinician, "side=both|unsure"),
			floor(care.Ambulance, "ride=no|unsure"), // it is asked in an emergency only
			floor(care.Clinician, "where_it_hurts=midfoot"), floor(care.SameDay, "four_steps_then=no|not_tried|unsure"),
		},
		early(floor(care.SameDay, "four_steps_now=no|unsure"), floor(care.Clinician, "pain_worst=severe|unsure")),
	)
	c.Both, c.Asked, c.Unsaid = ankleTogether(), ankleAsked(), ankleUnsaid()
	return c
}

// ankleAsked are the questions that an answer opens.
func ankleAsked() []Asked {
	var list []Asked
	for _, q := range []struct {
		fact care.Fact
		when string
	}{
		{"head_hit", "blood_thinner=yes|unsure"},
		{"head_hit", "intoxicated=yes|unsure"},
		{"head_hit", "age_years=infant|one|small|older"},
		{"not_walking_yet", "age_years=one"},
		{"adult_present", "age_years=infant|one|small|child"},
		{"sober_adult", "intoxicated=yes"},
		{"pregnancy_sign", "pregnant=yes"},
		{"in_cast", "already_seen=yes"},
		{"cast_or_worse", "already_seen=yes"},
		{"xray_result", "already_seen=yes"},
		{"wound_deep", "wound=yes"},
		{"overall", "injured_at=day|days|old"},
		{"heel_cord", "consent=yes|no"},
		{"four_steps_then", "consent=yes|no"},
		{"pain_worst", "consent=yes|no"},
	} {
		list = append(list, Asked{q.fact, floor(0, q.when)})
	}
	// nobody presses a numb foot or a cast
	return append(list, Asked{"upper_shin", floor(0, "age_years=adult", "reduced_feeling=no", "already_seen=no")})
}

// ankleUnsaid is cold, a wrap and raising high where they harm. Source: the use of ice in patient management, 2012.
func ankleUnsaid() []Unsaid {
	var list []Unsaid
	for _, key := range []care.SentenceKey{"say.care_cold", "say.care_wrap"} {
		for _, f := range []string{"no_cold", "reduced_feeling", "wound", "foot_cold_or_pale"} {
			list = append(list, Unsaid{key, floor(0, f+"=yes|unsure")})
		}
	}
	return append(list, Unsaid{"say.care_raise", floor(0, "pain_out_of_control=yes|unsure")})
}

// ankleTogether are the answers that count together.
func ankleTogether() []Floor {
	list := []Floor{
		floor(care.Ambulance, "deformed=yes", "foot_cold_or_pale=yes"), floor(care.Ambulance, "deformed=yes", "foot_numb=yes"),
		floor(care.Ambulance, "landed_on_heels=yes", "other_severe_pain=yes"),
		floor(care.Emergency, "age_years=one", "not_walking_yet=yes|unsure"),
		floor(care.Emergency, "blood_thinner=yes", "swelling=large|unsure"),
	}
	for _, f := range strings.Fields(dangerA + " " + dangerB) {
		if f != "high_energy" {
			list = append(list, floor(care.Ambulance, "high_energy=yes", f+"=yes"))
		}
	}
	list = append(list, early(
		floor(care.SameDay, "age_years=child", "walking=limp|few_steps|none|unsure"), floor(care.SameDay, "age_years=child", "swelling=unsure"),
		floor(care.SameDay, "age_years=child", "high_ankle=unsure"), floor(care.SameDay, "age_years=child", "side=unsure"),
		floor(care.SameDay, "injured_at=day|days|old", "overall=worse|unsure"), floor(care.Clinician, "injured_at=days|old", "overall=same"),
		floor(care.SameDay, "injured_at=old", "walking=limp|few_steps|none|unsure"),
	)...)
	return list
}
