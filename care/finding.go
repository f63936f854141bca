package care

import "slices"

// A Sign is the name of a danger sign that a person can write about in their
// own words. The log, the staff and the reports use these names.
type Sign string

// The signs, those that need an ambulance first. Which fact of a protocol a
// sign belongs to is the protocol's business.
const (
	ChestPain         Sign = "chest_pain"          // chest pain or pressure
	Breathing         Sign = "breathing"           // trouble breathing, coughing blood
	Choking           Sign = "choking"             // something stuck in the airway
	Unconscious       Sign = "unconscious"         // cannot be woken, or fainted and not right
	Stroke            Sign = "stroke"              // face, arm, speech, sight or balance lost suddenly
	Bleeding          Sign = "bleeding"            // heavy bleeding, or bleeding that does not stop
	OpenFracture      Sign = "open_fracture"       // bone through the skin or visible
	ColdBlueFoot      Sign = "cold_blue_foot"      // foot or toes cold, blue, grey, white, no pulse
	NoFeeling         Sign = "no_feeling"          // no feeling in the foot or toes, or unable to move them
	Allergy           Sign = "allergy"             // severe allergic reaction
	Seizure           Sign = "seizure"             // a fit
	SelfHarm          Sign = "self_harm"           // wanting to die, self-harm
	HeadInjury        Sign = "head_injury"         // head injury and unwell since
	Spine             Sign = "spine"               // neck or back injury with weakness, numbness, bladder trouble
	Attacked          Sign = "attacked"            // an attack under way, an attacker near, a shot or stab wound
	Overdose          Sign = "overdose"            // too much medicine, or a child who took some
	Crushed           Sign = "crushed"             // foot crushed or trapped
	AskedForAmbulance Sign = "asked_for_ambulance" // a plain call for an ambulance

	Deformity        Sign = "deformity"            // out of shape, or a joint that slipped out
	NoWeightBearing  Sign = "no_weight_bearing"    // cannot bear weight or take four steps
	CalfClot         Sign = "calf_clot"            // calf swollen, hard, hot or sore
	Infection        Sign = "infection"            // fever, pus, red streaks, a black or weeping wound in diabetes
	NumbAfterLoosen  Sign = "numb_after_loosening" // numb or tingling toes that stay so after loosening
	Achilles         Sign = "achilles"             // pop at heel or calf, cannot push off or go on tiptoe
	WoundDeep        Sign = "wound_deep"           // deep, gaping, or something stuck in it
	Wound            Sign = "wound"                // dirty wound or bite
	ChildRefuses     Sign = "child_refuses"        // a child who refuses to stand or walk
	TightLeg         Sign = "tight_leg"            // a leg that gets tight, with pain growing at rest
	ShortFaint       Sign = "short_faint"          // a short faint with this injury, now well
	HeadHitOnThinner Sign = "head_hit_thinner"     // a knock on the head under blood thinners, no symptoms
	NotSafe          Sign = "unsafe"               // not safe where they are, no danger this minute
	MedicineReaction Sign = "medicine_reaction"    // black stool, hives or the like after a medicine or cold, not severe
)

// ambulanceSigns, urgentSigns and the quiet one give each sign its class.
var (
	ambulanceSigns = []Sign{
		ChestPain, Breathing, Choking, Unconscious, Stroke, Bleeding, OpenFracture, ColdBlueFoot, NoFeeling,
		Allergy, Seizure, SelfHarm, HeadInjury, Spine, Attacked, Overdose, Crushed, AskedForAmbulance,
	}
	urgentSigns = []Sign{
		Deformity, NoWeightBearing, CalfClot, Infection, NumbAfterLoosen, Achilles, WoundDeep, Wound,
		ChildRefuses, TightLeg, ShortFaint, HeadHitOnThinner, MedicineReaction,
	}
)

// Signs lists every sign, the ambulance ones first.
func Signs() []Sign {
	return append(append(slices.Clone(ambulanceSigns), urgentSigns...), NotSafe)
}

// Class is how urgent a finding is by its words alone.
type Class uint8

// The classes. A sign has one of them for good; only NotSafe has NoClass: it
// asks for a person, not for an ambulance.
const (
	NoClass Class = iota
	Urgent
	AmbulanceNow
)

// String gives the word of the machine-readable form.
func (c Class) String() string {
	switch c {
	case AmbulanceNow:
		return "ambulance"
	case Urgent:
		return "urgent"
	default:
		return "none"
	}
}

// Class returns the class of s.
func (s Sign) Class() Class {
	switch {
	case slices.Contains(ambulanceSigns, s):
		return AmbulanceNow
	case slices.Contains(urgentSigns, s):
		return Urgent
	default:
		return NoClass
	}
}

// Sensitive reports whether only staff with the sensitive right may see it.
func (s Sign) Sensitive() bool { return s == SelfHarm || s == Attacked || s == NotSafe }

// A Finding is what the screen saw in one message: the most urgent sign. The
// zero Finding is a quiet message. A doubtful one (a fuzzy hit, a denied
// match that words around it make uncertain) raises nothing by itself: the
// person is asked about it.
type Finding struct {
	Sign     Sign `json:"sign,omitempty"`
	Doubtful bool `json:"doubtful,omitempty"`
}

// Class is the sign's class, and NoClass for a doubtful or an empty finding.
func (f Finding) Class() Class {
	if f.Doubtful {
		return NoClass
	}
	return f.Sign.Class()
}
