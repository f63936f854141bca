package safety

import (
	"errors"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"turnstone/care"
	"turnstone/locales"
)

var classes = []care.SentenceClass{
	care.ClassDanger, care.ClassDisposition, care.ClassProtect, care.ClassHomeCare, care.ClassReassure, care.ClassAsk, care.ClassInform, care.ClassStaff,
}

// Home care and reassurance go out at home only, whatever the state, the
// message and the order; protecting text never with an emergency open.
func TestHAZ01_GateAnyStateAnyMessageAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ep := care.Episode{
			Disposition: care.Disposition(rapid.IntRange(0, 5).Draw(t, "disposition")),
			Open:        rapid.Bool().Draw(t, "open"), State: rapid.String().Draw(t, "state"),
			Stopped: rapid.Bool().Draw(t, "stopped"), Sensitive: rapid.Bool().Draw(t, "sensitive"),
		}
		list := rapid.SliceOfN(rapid.SampledFrom(classes), 1, 8).Draw(t, "classes")
		m := care.Message{}
		for _, c := range list {
			m.Lines = append(m.Lines, care.Sentence{Key: care.SentenceKey(c)})
		}
		door := Door{Class: func(k care.SentenceKey) (care.SentenceClass, bool) { return care.SentenceClass(k), true }}
		passed := door.Pass(&ep, &m) == nil
		danger := ep.Open || ep.Disposition != care.Home
		for _, c := range list {
			if passed && danger && (c == care.ClassHomeCare || c == care.ClassReassure) {
				t.Fatalf("%s went out at %s, open %v", c, ep.Disposition, ep.Open)
			}
			if passed && ep.Open && c == care.ClassProtect {
				t.Fatal("protecting text went out with an emergency open")
			}
		}
	})
}

// A class that nobody knows, and a sentence without one, do not go out.
func TestHAZ01_UnknownClassIsStopped(t *testing.T) {
	ep := care.Episode{Disposition: care.Home}
	if err := Gate(&ep, "cheerful"); !errors.Is(err, ErrStopped) {
		t.Errorf("unknown class: %v", err)
	}
	door := Door{Class: func(care.SentenceKey) (care.SentenceClass, bool) { return "", false }}
	if err := door.Pass(&ep, &care.Message{Lines: []care.Sentence{{Key: "x"}}}); !errors.Is(err, ErrStopped) {
		t.Errorf("sentence without a class: %v", err)
	}
}

func TestHAZ05_NothingSaysLessThanTheDisposition(t *testing.T) {
	for d := care.Home; d <= care.Ambulance; d++ {
		for said := care.Home; said <= care.Ambulance; said++ {
			err := GateDisposition(&care.Episode{Disposition: d}, care.SentenceKey("disposition."+said.String()))
			if (err != nil) != (said < d) {
				t.Errorf("%s said at %s: %v", said, d, err)
			}
		}
	}
}

func TestHAZ05_OnlyStaffLower(t *testing.T) {
	before := care.Episode{ID: "e", Disposition: care.SameDay}
	after := before
	after.Disposition = care.Home
	after.Reasons = []care.Reason{{Row: "r", To: care.SameDay, Names: []string{"navicular"}}}
	if err := (Door{}).Lowered(&before, &after); !errors.Is(err, ErrStopped) {
		t.Errorf("lowered without staff: %v", err)
	}
	after.Reasons[0].Settled = true
	if err := (Door{}).Lowered(&before, &after); err != nil {
		t.Errorf("lowered by staff: %v", err)
	}
}

func TestHAZ06_NoCardWithoutANumber(t *testing.T) {
	card := care.Message{Lines: []care.Sentence{{Key: "card.go"}, {Key: cardEnd}}}
	if err := GateCard(&card); !errors.Is(err, ErrStopped) {
		t.Errorf("a card without a number: %v", err)
	}
	card.Lines[0].Args = map[string]string{"number": "112"}
	if err := GateCard(&card); err != nil {
		t.Errorf("a card with a number: %v", err)
	}
}

// The door and what builds it have no switch: nothing in it is a bool, and
// nothing can be left out that would let a sentence pass.
func TestHAZ33_NoSwitch(t *testing.T) {
	for _, v := range []any{Door{}, Forbidden{}} {
		typ := reflect.TypeOf(v)
		for i := range typ.NumField() {
			if k := typ.Field(i).Type.Kind(); k == reflect.Bool || k == reflect.Int || k == reflect.String {
				t.Errorf("%s has a field %s that could switch it", typ, typ.Field(i).Name)
			}
		}
	}
}

// What staff write is stopped when it is a dose or a verdict on the bone.
// Wordings are invented; that no dose is given is the product's own rule.
func TestHAZ25_StaffGiveNoDoseAndNoVerdict(t *testing.T) {
	f, err := LoadForbidden(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{
		"Take 2 ibuprofen now", "400mg is fine", "you can have another paracetamol", "one tablet every six hours", "max 8 per day", "It isn't broken",
		"nothing is broken, relax", "there is no fracture", "It is just a sprain", "Tómate dos ibuprofenos", "un comprimido cada 8 horas", "600 mg", "No está roto",
		"no hay fractura", "no tienes nada roto", "hasta tres al día", "IT'S NOT BROKEN", "no se te rompió",
	} {
		if _, found := f.Find(text); !found {
			t.Errorf("%q would reach a person", text)
		}
	}
	for _, text := range []string{
		"Please come in at 14:30 today, room 2", "Somebody will call you in 20 minutes", "Ask for an X-ray of the ankle", "Raise it above your heart",
		"Pasa hoy a las 16:00", "Te llamo en 10 minutos", "Pide una radiografía del tobillo", "Only an X-ray can tell if it is broken",
	} {
		if what, found := f.Find(text); found {
			t.Errorf("%q is stopped for %q", text, what)
		}
	}
}

// Words of staff go out signed, and while danger is open behind the way to
// help; whoever puts a message together wrongly is stopped here.
func TestHAZ25_TheGateStopsUnsignedWordsAndThoseBeforeTheNumber(t *testing.T) {
	says, signed, number := care.Sentence{Key: "staff.says"}, care.Sentence{Key: "signature"}, care.Sentence{Key: "help.first", Args: map[string]string{"number": "112"}}
	listed, other := care.Sentence{Key: "help.first.unknown"}, care.Sentence{Key: "nobody_reads"}
	door := Door{Class: func(care.SentenceKey) (care.SentenceClass, bool) { return care.ClassStaff, true }}
	for _, c := range []struct {
		open  bool
		lines []care.Sentence
		pass  bool
	}{
		{false, []care.Sentence{says, signed}, true},
		{false, []care.Sentence{says}, false},
		{false, []care.Sentence{signed, says}, false},
		{false, []care.Sentence{says, other, signed}, false},
		{false, []care.Sentence{says, signed, says}, false},
		{true, []care.Sentence{says, signed}, false},
		{true, []care.Sentence{says, signed, number}, false},
		{true, []care.Sentence{number, says, signed}, true},
		{true, []care.Sentence{listed, says, signed}, true},
		{true, []care.Sentence{number, says}, false},
	} {
		err := door.Pass(&care.Episode{Disposition: care.Emergency, Open: c.open}, &care.Message{Lines: c.lines})
		if (err == nil) != c.pass || err != nil && !errors.Is(err, ErrStopped) {
			t.Errorf("open %v, %v: %v", c.open, c.lines, err)
		}
	}
}
