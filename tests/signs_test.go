package tests

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/tests/house"
	"turnstone/tests/talk"
)

// What each sign must lead to when it is typed, read from the protocol's text:
// the sign's own class, and else the disposition of the fact it stands under,
// at least same_day.
var signs = map[care.Sign]string{
	care.ChestPain:         "ambulance chest_or_breathing",
	care.Breathing:         "ambulance chest_or_breathing",
	care.Choking:           "ambulance chest_or_breathing",
	care.Allergy:           "ambulance chest_or_breathing",
	care.Unconscious:       "ambulance collapsed",
	care.Seizure:           "ambulance collapsed",
	care.Stroke:            "ambulance stroke_signs",
	care.Bleeding:          "ambulance heavy_bleeding",
	care.OpenFracture:      "ambulance bone_visible",
	care.ColdBlueFoot:      "ambulance foot_cold_or_pale",
	care.NoFeeling:         "ambulance foot_numb",
	care.SelfHarm:          "ambulance self_harm",
	care.HeadInjury:        "ambulance head_or_neck",
	care.Spine:             "ambulance head_or_neck",
	care.Attacked:          "ambulance attacked",
	care.Overdose:          "ambulance medicine_harm",
	care.Crushed:           "ambulance crushed_or_thrown",
	care.AskedForAmbulance: "ambulance asked_for_ambulance",
	care.Deformity:         "emergency deformed",
	care.CalfClot:          "emergency calf_pain_or_swelling",
	care.Infection:         "emergency fever_or_redness",
	care.NumbAfterLoosen:   "emergency foot_numb",
	care.WoundDeep:         "emergency wound_deep",
	care.TightLeg:          "emergency pain_out_of_control",
	care.ShortFaint:        "emergency short_faint",
	care.HeadHitOnThinner:  "emergency head_hit",
	care.MedicineReaction:  "emergency medicine_harm",
	care.NoWeightBearing:   "same_day four_steps_now",
	care.ChildRefuses:      "same_day four_steps_now",
	care.Achilles:          "same_day heel_cord",
	care.Wound:             "same_day wound",
	care.NotSafe:           "", // no disposition: a person is asked to look
}

// typed is how somebody might write each sign, in each language.
var typed = map[care.Locale]map[care.Sign]string{
	"en": {
		care.ChestPain:         "wait, my chest hurts and it feels like somebody sits on it",
		care.Breathing:         "i can't breathe properly",
		care.Choking:           "she is choking on a piece of apple",
		care.Allergy:           "my tongue is swelling up after the tablet",
		care.Unconscious:       "my friend passed out and won't wake up",
		care.Seizure:           "he is having a seizure",
		care.Stroke:            "one side of his face is drooping and his speech is slurred",
		care.Bleeding:          "the blood won't stop, it is soaking through everything",
		care.OpenFracture:      "i can see the bone sticking out",
		care.ColdBlueFoot:      "my foot is cold and has gone blue",
		care.NoFeeling:         "i can't feel my toes",
		care.SelfHarm:          "i want to kill myself",
		care.HeadInjury:        "i hit my head and now i keep throwing up",
		care.Spine:             "my neck hurts from the fall and my arms are weak and numb",
		care.Attacked:          "he is attacking me right now, help",
		care.Overdose:          "i swallowed the whole box of pills",
		care.Crushed:           "a forklift ran over it and my foot is crushed",
		care.AskedForAmbulance: "send an ambulance please",
		care.Deformity:         "the ankle is bent at a strange angle",
		care.CalfClot:          "my calf is swollen and hot and sore",
		care.Infection:         "i have a fever and there is pus coming out",
		care.NumbAfterLoosen:   "i loosened the wrap and my toes still tingle half an hour later",
		care.WoundDeep:         "there is a deep cut and it gapes open",
		care.TightLeg:          "my leg is getting tighter and tighter and it hurts more and more even at rest",
		care.ShortFaint:        "i fainted for a few seconds when i twisted it and i'm fine now",
		care.HeadHitOnThinner:  "i'm on warfarin and i knocked my head when i fell, no headache or anything",
		care.MedicineReaction:  "i got hives after the ibuprofen",
		care.NoWeightBearing:   "i can't put any weight on it",
		care.ChildRefuses:      "my daughter is 3 and hasn't stood up since the fall",
		care.Achilles:          "i heard a pop at the back of my heel and i can't push off",
		care.Wound:             "a dog bit me in the ankle",
		care.NotSafe:           "i don't feel safe at home",
	},
	"es": {
		care.ChestPain:         "espera, me duele el pecho y siento que me aprieta",
		care.Breathing:         "no puedo respirar bien",
		care.Choking:           "se está atragantando con un pedazo de manzana",
		care.Allergy:           "se me está hinchando la lengua después de la pastilla",
		care.Unconscious:       "mi amigo se desmayó y no despierta",
		care.Seizure:           "está convulsionando",
		care.Stroke:            "se le cayó un lado de la cara y no puede hablar",
		care.Bleeding:          "la sangre no para, está empapando todo",
		care.OpenFracture:      "se me ve el hueso, se sale de la piel",
		care.ColdBlueFoot:      "tengo el pie frío y azul",
		care.NoFeeling:         "no siento los dedos del pie",
		care.SelfHarm:          "me quiero matar",
		care.HeadInjury:        "me di un golpe en la cabeza y vomité tres veces",
		care.Spine:             "me duele el cuello por la caída y tengo los brazos débiles y dormidos",
		care.Attacked:          "me está atacando ahora mismo, ayuda",
		care.Overdose:          "me tomé toda la caja de pastillas",
		care.Crushed:           "un montacargas me aplastó el pie",
		care.AskedForAmbulance: "manden una ambulancia por favor",
		care.Deformity:         "tengo el tobillo torcido en un ángulo raro, deforme",
		care.CalfClot:          "tengo la pantorrilla hinchada, caliente y me duele",
		care.Infection:         "tengo fiebre y me sale pus",
		care.NumbAfterLoosen:   "aflojé la venda y los dedos siguen hormigueando después de media hora",
		care.WoundDeep:         "hay un corte profundo y está abierto",
		care.TightLeg:          "la pierna se me pone cada vez más tensa y me duele cada vez más aun en reposo",
		care.ShortFaint:        "me llegué a desmayar un instante al torcerme, ya se me pasó",
		care.HeadHitOnThinner:  "tomo anticoagulantes y me golpeé la cabeza, me siento bien",
		care.MedicineReaction:  "me salieron ronchas después del ibuprofeno",
		care.NoWeightBearing:   "no puedo apoyar el pie",
		care.ChildRefuses:      "mi sobrina de 3 no se quiere parar y dobla la pierna",
		care.Achilles:          "oí un chasquido atrás del talón y no puedo empujar con el pie",
		care.Wound:             "un perro me mordió el tobillo",
		care.NotSafe:           "no me siento segura en mi casa",
	},
}

// before is where in the talk a sign is typed; they take turns.
var before = []string{"", "answer until=consent\n", "answer until=side\n", "answer until=next\n", "answer\n"}

func signFile(locale care.Locale, s care.Sign) string {
	return filepath.Join("conversations", string(locale), string(s)+".txtar")
}

// steps is the upper part of a sign's conversation.
func steps(locale care.Locale, i int, s care.Sign) string {
	expect := ""
	if signs[s] != "" {
		expect = "expect " + signs[s] + "\n"
	}
	return fmt.Sprintf("# The sign %s, typed. It counts wherever it is said.\nstart locale=%s\n%sperson '%s'\n%scmp talk want\n",
		s, locale, before[i%len(before)], strings.ReplaceAll(typed[locale][s], "'", "''"), expect)
}

// writeSigns writes the conversations of the table; what comes of them is
// written by the run that follows.
func writeSigns(t *testing.T, all []care.Locale) {
	t.Helper()
	for _, locale := range all {
		if err := os.MkdirAll(filepath.Join("conversations", string(locale)), 0o755); err != nil {
			t.Fatal(err)
		}
		for i, s := range care.Signs() {
			if err := os.WriteFile(signFile(locale, s), []byte(steps(locale, i, s)+"-- want --\n"), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func TestEverySignHasAConversationInEveryLanguage(t *testing.T) {
	parts, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	all := parts.Book.Locales()
	if *talk.Update {
		writeSigns(t, all)
	}
	var files []string
	for _, locale := range all {
		seen := screened(t, locale)
		for i, s := range care.Signs() {
			data, err := os.ReadFile(signFile(locale, s))
			switch {
			case errors.Is(err, fs.ErrNotExist):
				t.Errorf("the sign %s has no conversation in %s; write how somebody would say it into the table", s, locale)
				continue
			case err != nil:
				t.Fatal(err)
			case !strings.HasPrefix(string(data), steps(locale, i, s)):
				t.Errorf("%s is not what the table says; run `go test ./tests -update`", signFile(locale, s))
			}
			if seen[s] != string(s) {
				t.Errorf("%s: %q is read as %q, want %q", locale, typed[locale][s], seen[s], s)
			}
			files = append(files, signFile(locale, s))
		}
	}
	if want := len(all) * len(care.Signs()); len(files) != want {
		t.Errorf("%d conversations of signs, want %d", len(files), want)
	}
	talk.Scripts(t, files)
}

// screened is what the built program reads in each phrase of a language.
func screened(t *testing.T, locale care.Locale) map[care.Sign]string {
	t.Helper()
	var in strings.Builder
	for _, s := range care.Signs() {
		in.WriteString(typed[locale][s] + "\n")
	}
	cmd := exec.Command(talk.Bot, "screen", "--locale", string(locale))
	cmd.Stdin = strings.NewReader(in.String())
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("bot screen: %v\n%s", err, errs.String())
	}
	seen := map[care.Sign]string{}
	lines := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
	if len(lines) != len(care.Signs()) {
		t.Fatalf("%d lines out, %d in", len(lines), len(care.Signs()))
	}
	for i, s := range care.Signs() {
		_, seen[s], _ = strings.Cut(lines[i], "\t")
	}
	return seen
}
