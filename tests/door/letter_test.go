// Package door holds the built program to the letter of the conversation as
// data, and of the commands that read a line and write a line.
package door

import (
	"fmt"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/tests/talk"
)

func TestMain(m *testing.M) { os.Exit(talk.Main(m)) }

// badLines are no lines in, whatever is open.
var badLines = map[string]string{
	"nothing":                      ``,
	"spaces":                       `   `,
	"no JSON":                      `hello`,
	"half an object":               `{"say":"hi"`,
	"a string":                     `"say"`,
	"a number":                     `7`,
	"a list":                       `[{"say":"hi"}]`,
	"null":                         `null`,
	"true":                         `true`,
	"an empty object":              `{}`,
	"two objects":                  `{"say":"hi"} {"say":"ho"}`,
	"an object and more":           `{"say":"hi"} x`,
	"a word that is not known":     `{"shout":"hi"}`,
	"another case":                 `{"Say":"hi"}`,
	"capitals":                     `{"WAIT":"PT1H"}`,
	"two kinds":                    `{"say":"hi","wait":"PT1H"}`,
	"a choice and words":           `{"choose":["yes"],"say":"yes"}`,
	"a field of staff":             `{"say":"hi","note":"x"}`,
	"a field beside wait":          `{"wait":"PT1H","by":"Rui"}`,
	"a field that is not known":    `{"wait":"PT1H","for":"me"}`,
	"words that are a number":      `{"say":1}`,
	"words that are a list":        `{"say":["hi"]}`,
	"no words":                     `{"say":null}`,
	"a choice that is a string":    `{"choose":"yes"}`,
	"a choice that is a number":    `{"choose":[1]}`,
	"a choice that is null":        `{"choose":null}`,
	"an empty list":                `{"choose":[]}`,
	"a choice nobody offers":       `{"choose":["maybe"]}`,
	"an empty choice":              `{"choose":[""]}`,
	"a label for a value":          `{"choose":["Yes"]}`,
	"a value with a space":         `{"choose":["none "]}`,
	"a wait that is a number":      `{"wait":60}`,
	"a wait without a unit":        `{"wait":"60"}`,
	"a wait in plain words":        `{"wait":"1 hour"}`,
	"a wait of nothing":            `{"wait":""}`,
	"P":                            `{"wait":"P"}`,
	"PT":                           `{"wait":"PT"}`,
	"P1DT":                         `{"wait":"P1DT"}`,
	"years":                        `{"wait":"P1Y"}`,
	"months":                       `{"wait":"P1M"}`,
	"months and days":              `{"wait":"P1M2D"}`,
	"back":                         `{"wait":"-PT1H"}`,
	"a negative part":              `{"wait":"PT-1H"}`,
	"a fraction":                   `{"wait":"PT1.5H"}`,
	"more than 366 days":           `{"wait":"P367D"}`,
	"a little more than 366 days":  `{"wait":"P366DT1S"}`,
	"more than 366 days, in hours": `{"wait":"PT8785H"}`,
	"a number that is too large":   `{"wait":"PT99999999999999999999H"}`,
	"units in the wrong order":     `{"wait":"PT1S1H"}`,
	"a small letter":               `{"wait":"pt1h"}`,
	"staff without an item":        `{"staff":"take","by":"Rui"}`,
	"staff and an unknown item":    `{"staff":"take","id":"nobody-1","by":"Rui"}`,
	"staff without a name":         `{"staff":"take","id":"nobody-1"}`,
	"an act that is not known":     `{"staff":"sing","id":"nobody-1","by":"Rui"}`,
	"an act that is a number":      `{"staff":1,"id":"nobody-1","by":"Rui"}`,
	"no act":                       `{"staff":"","id":"nobody-1","by":"Rui"}`,
	"a disposition nobody knows":   `{"staff":"close","id":"nobody-1","by":"Rui","outcome":"seen","disposition":"fine"}`,
	"broken letters":               "{\"sa\xff\":\"hi\"}",
	"a very long line":             `{"say":"` + strings.Repeat("a", 1<<20) + `"}`,
}

// after leads a talk to a place, with input lines that are good.
var after = map[string][]string{
	"at a danger screen":    {},
	"at a typed answer":     {`{"choose":["none"]}`, `{"choose":["none"]}`},
	"at the consent":        {`{"choose":["none"]}`, `{"choose":["none"]}`, `{"say":"34"}`},
	"in an emergency":       {`{"choose":["collapsed"]}`},
	"when nothing is asked": {`{"choose":["collapsed"]}`, `{"choose":["yes"]}`},
}

// TestBadLinesChangeNothing runs the same good lines twice, once with every
// bad line between them: what the good lines bring must be the same.
func TestBadLinesChangeNothing(t *testing.T) {
	goodLines := []string{`{"say":"hello"}`, `{"wait":"PT9M"}`, `{"say":"none"}`, `{"wait":"P1D"}`}
	for place, lead := range after {
		t.Run(place, func(t *testing.T) {
			t.Parallel()
			plain, teased := talk.Start(t, talk.Home()), talk.Start(t, talk.Home())
			for _, line := range append(slices.Clone(lead), goodLines...) {
				if want, got := masked(plain.Raw(line)), masked(teased.Raw(line)); !reflect.DeepEqual(got, want) {
					t.Fatalf("after bad lines %s brings\n%s\nwant\n%s", line, raws(got), raws(want))
				}
				if len(lead) > 0 {
					lead = lead[1:] // not there yet
					continue
				}
				tease(t, teased)
			}
			plain.End()
			teased.End()
		})
	}
}

// tease sends every bad line: each is answered with one error line.
func tease(t *testing.T, s *talk.Session) {
	t.Helper()
	for name, line := range badLines {
		now := s.Now
		got := s.Raw(line)
		if len(got) != 1 || got[0].Type != "error" || got[0].Error == "" {
			t.Errorf("%s: %.80s brings %.300s, want one error line", name, line, raws(got))
		}
		if !s.Now.Equal(now) {
			t.Errorf("%s moved the clock from %v to %v", name, now, s.Now)
		}
	}
}

var idBefore = regexp.MustCompile(`[a-z0-9]+-([0-9]+)`)

// masked takes out what is new in each run: the name of the episode in IDs.
func masked(lines []talk.Line) []talk.Line {
	var out []talk.Line
	for _, l := range lines {
		l.ID, l.Raw = idBefore.ReplaceAllString(l.ID, "e-$1"), ""
		out = append(out, l)
	}
	return out
}

func raws(lines []talk.Line) string {
	var b strings.Builder
	for _, l := range lines {
		if l.Raw == "" {
			l.Raw = fmt.Sprintf("%+v", l)
		}
		b.WriteString(l.Raw + "\n")
	}
	return b.String()
}

// Words that are words, whatever they look like, are no bad lines.
func TestOddWordsAreWords(t *testing.T) {
	s := talk.Start(t, talk.Home())
	for _, line := range []string{
		`{"say":""}`, `{"say":" "}`, `{"say":"\u0000"}`, `{"say":"\ud800"}`, `{"say":"😀"}`, `{"say":"{\"wait\":\"P1D\"}"}`, "{\"say\":\"a\\nb\"}",
		` {"say": "spaces around"} `, "{\"say\":\"a line end of another kind\"}\r", `{"say":"` + strings.Repeat("no ", 2000) + `"}`,
	} {
		got := s.Raw(line)
		if len(talk.Of(got, "error")) > 0 || len(talk.Of(got, "message")) == 0 {
			t.Errorf("%.60s brings %.300s", line, raws(got))
		}
	}
	s.End()
}

// The words of the door: W, D (24 hours), H, M and S.
func TestTimePassesByTheUnitsOfTheDoor(t *testing.T) {
	s := talk.Start(t, talk.Home())
	at := s.Now
	for iso, d := range map[string]time.Duration{
		"PT0S": 0, "PT1S": time.Second, "PT90M": 90 * time.Minute, "PT50H": 50 * time.Hour, "P1D": 24 * time.Hour, "P2DT3H4M5S": 51*time.Hour + 4*time.Minute + 5*time.Second,
		"P1W": 7 * 24 * time.Hour, "P1W1D": 8 * 24 * time.Hour, "P366D": 366 * 24 * time.Hour, "PT8784H": 366 * 24 * time.Hour, "PT0M1S": time.Second,
	} {
		at = at.Add(d)
		if got := talk.Of(s.Wait(iso), "error"); len(got) > 0 || !s.Now.Equal(at) {
			t.Errorf("%s: the clock shows %v, want %v (%s)", iso, s.Now, at, raws(got))
		}
	}
	s.End()
}

// The clock stands still between lines, and what falls due is sent at its own
// time, in order.
func TestWhatFallsDueComesAtItsOwnTime(t *testing.T) {
	s := talk.Start(t, talk.Home())
	talk.Person{}.All(s)
	if !s.Now.Equal(time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)) {
		t.Errorf("the clock moved to %v without a wait", s.Now)
	}
	var came []string
	for _, l := range talk.Of(s.Wait("P3D"), "message") {
		came = append(came, l.At.Format(time.RFC3339))
	}
	// Hurt at 08:00 UTC on a Monday in Lisbon: 48 h and 72 h are 08:00 again, the
	// first allowed instant; between them the repeat after 12 h.
	want := []string{"2026-03-04T08:00:00Z", "2026-03-04T20:00:00Z", "2026-03-05T08:00:00Z"}
	if !slices.Equal(came, want) {
		t.Errorf("messages came at %v, want %v", came, want)
	}
	s.End()
}

// Choices are values of the last question, and nothing else is.
func TestOnlyOpenChoicesCount(t *testing.T) {
	s := talk.Start(t, talk.Home())
	refused := func(values ...string) {
		t.Helper()
		if got := s.Choose(values...); len(got) != 1 || got[0].Type != "error" {
			t.Errorf("%v at %v brings %s", values, s.Ask.Facts, raws(got))
		}
	}
	accepted := func(values ...string) {
		t.Helper()
		if got := s.Choose(values...); len(talk.Of(got, "error")) > 0 {
			t.Errorf("%v brings %s", values, raws(got))
		}
	}
	refused("yes")                 // of another kind
	refused("foot_numb")           // of the next screen
	refused("none", "foot_numb")   // one of them is not there
	accepted("none")               // danger A
	refused("chest_or_breathing")  // of the screen before
	accepted("none")               // danger B
	refused("34")                  // an age is typed
	refused("none")                // there are no choices
	s.Say("34")                    //
	refused("unsure")              // consent has none
	refused("yes", "no")           // one of them
	accepted("yes")                // consent
	refused("PT2H")                // since is typed
	s.Say("2 hours ago")           //
	accepted("none")               // who
	refused("left", "right")       // oneof takes one
	accepted("left")               // side
	accepted("ankle", "midfoot")   // several take several
	accepted("high_ankle", "none") // facts beside none: the facts count
	accepted("no")                 // heel cord
	accepted("no")                 // lateral malleolus
	talk.Person{}.DayZero(s)
	if d := s.Disposition(); d.Disposition != "clinician" || !slices.Equal(d.Because, []string{"where_it_hurts", "high_ankle"}) {
		t.Errorf("got %s because %v, want clinician because of where_it_hurts and high_ankle", d.Disposition, d.Because)
	}
	s.End()
}

// "Facts beside none or unsure: the facts count", also where they are danger.
func TestFactsBesideNoneCount(t *testing.T) {
	for _, beside := range []string{"none", "unsure"} {
		s := talk.Start(t, talk.Home())
		s.Choose(beside, "heavy_bleeding")
		if d := s.Disposition(); d.Disposition != "ambulance" || !slices.Equal(d.Because, []string{"heavy_bleeding"}) {
			t.Errorf("beside %s: got %s because %v, want ambulance because of heavy_bleeding alone", beside, d.Disposition, d.Because)
		}
		s.End()
	}
}

// A typed number picks a choice only where there are choices.
func TestATypedNumberPicksAChoice(t *testing.T) {
	s := talk.Start(t, talk.Home())
	talk.Person{}.Until(s, func(a *talk.Ask) bool { return a.Fact() == "side" })
	s.Say("1")
	if s.Ask.Fact() != "where_it_hurts" {
		t.Errorf("after 1 comes %s, want where_it_hurts", s.Ask.Fact())
	}
	talk.Person{}.Until(s, func(a *talk.Ask) bool { return a.Fact() == "pain_worst" })
	s.Say("9") // the scale has no ninth choice: it is a 9
	if d := s.Disposition(); d.Disposition != "clinician" || !slices.Contains(d.Because, "pain_worst") {
		t.Errorf("a pain of 9 gives %s because %v", d.Disposition, d.Because)
	}
	s.End()
}

// The disposition comes once more when the day-0 questions end, with the full
// reasons and the rule.
func TestTheDispositionComesOnceMoreAtTheEnd(t *testing.T) {
	s := talk.Start(t, talk.Home())
	talk.Person{"lateral_malleolus": "yes", "navicular": "yes", "where_it_hurts": "ankle,midfoot"}.DayZero(s)
	all := talk.Of(s.Lines, "disposition")
	if len(all) < 3 {
		t.Fatalf("only %d disposition lines", len(all))
	}
	last := all[len(all)-1]
	if want := []string{"lateral_malleolus", "navicular"}; !slices.Equal(last.Because, want) {
		t.Errorf("because %v, want %v", last.Because, want)
	}
	if last.Rule["ankle"] != "positive" || last.Rule["foot"] != "positive" {
		t.Errorf("the rule is %v, want positive for both", last.Rule)
	}
	s.End()
}

// One commit prints what it decided first, and then its messages come.
func TestDecisionsComeBeforeMessages(t *testing.T) {
	s := talk.Start(t, talk.Home())
	seen := false
	for _, l := range s.Choose("bone_visible") {
		seen = seen || l.Type == "message"
		if seen && l.Type != "message" {
			t.Errorf("after a message comes %s", l.Raw)
		}
	}
	if !seen {
		t.Error("no message came")
	}
	s.End()
}
