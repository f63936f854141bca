package discord

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/outbox"
)

const emergency = "I can't breathe"

// An emergency is read in whatever frame it comes, and answered to who wrote
// it alone. The shapes are those of Discord's documentation ("Message Object",
// "Message Snapshot Object"), each with something that does not belong there.
func TestHAZ07_AnEmergencyInAnOddMessageIsRead(t *testing.T) {
	for name, raw := range map[string]string{
		"plain":                         `{"id":"10","channel_id":"20","author":{"id":"30"},"content":"I can't breathe"}`,
		"unknown fields":                `{"id":"10","channel_id":"20","author":{"id":"30","new":{}},"content":"I can't breathe","tomorrow":[1,{"a":null}]}`,
		"IDs as numbers":                `{"id":10,"channel_id":20,"author":{"id":30},"content":"I can't breathe"}`,
		"no ID":                         `{"channel_id":"20","author":{"id":"30"},"content":"I can't breathe"}`,
		"an ID that is a list":          `{"id":[],"channel_id":{},"author":{"id":"30"},"content":"I can't breathe"}`,
		"a channel that is no path":     `{"id":"10","channel_id":"../../x y","author":{"id":"30"},"content":"I can't breathe"}`,
		"attachments that are none":     `{"id":"10","channel_id":"20","author":{"id":"30"},"content":"I can't breathe","attachments":{"a":1},"sticker_items":"x","edited_timestamp":7}`,
		"an author who is half a robot": `{"id":"10","channel_id":"20","author":{"id":"30","bot":"no"},"content":"I can't breathe"}`,
		"text in pieces":                `{"id":"10","channel_id":"20","author":{"id":"30"},"content":["hello",{"text":"I can't breathe"}]}`,
		"passed on":                     `{"id":"10","channel_id":"20","author":{"id":"30"},"content":"","message_snapshots":[{"message":{"content":"I can't breathe"}}]}`,
		"passed on, half of it odd":     `{"id":"10","channel_id":"20","author":{"id":"30"},"content":null,"message_snapshots":[7,{"message":{"content":"I can't breathe"}}]}`,
		"beside pictures":               `{"id":"10","channel_id":"20","author":{"id":"30"},"content":"I can't breathe","attachments":[{"id":"1"}]}`,
		"very long":                     `{"id":"10","channel_id":"20","author":{"id":"30"},"content":"` + strings.Repeat("and then we walked on. ", 2_000) + `I can't breathe"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := newFront(t)
			f.gets(t, "MESSAGE_CREATE", raw)
			if !f.heardIt(emergency) || !f.urgent(t, "30") || f.wall.made("EMERGENCY") == nil {
				t.Errorf("it is not answered: %v: %s", f.wall.calls, f.log)
			}
		})
	}
}

// What comes from a server is never taken for a private word, however its ID
// is written: an answer there would be read by others.
func TestHAZ26_AServerThatIsNotUnderstoodIsAServer(t *testing.T) {
	for _, server := range []string{`"7"`, `7`, `{"id":7}`, `[]`, `true`, `"a b"`, `"é"`} {
		f := newFront(t)
		f.gets(t, "MESSAGE_CREATE", `{"id":"10","channel_id":"20","guild_id":`+server+`,"author":{"id":"30"},"content":"I can't breathe"}`)
		if len(f.wall.calls) > 0 {
			t.Errorf("server %s: %v", server, f.wall.calls)
		}
	}
}

// What can't be answered is said in the log and ends nothing.
func TestWhatCannotBeAnswered(t *testing.T) {
	f := newFront(t)
	for kind, list := range map[string][]string{
		"MESSAGE_CREATE":     {``, `null`, `7`, `[]`, `{}`, `"x"`, `{"content":"I can't breathe"}`, `{"author":null,"content":"x"}`, `{"author":{"id":{}},"content":"x"}`},
		"INTERACTION_CREATE": {``, `null`, `{}`, `{"id":"1","token":"","user":{"id":"30"}}`, `{"id":"1","token":"t"}`, `{"id":"1","token":"t","member":{"user":7}}`},
		"READY":              {``, `null`, `{}`, `{"user":7,"session_id":[]}`},
		"TOMORROW":           {``, `{"content":"x"}`},
	} {
		for _, raw := range list {
			f.gets(t, kind, raw)
		}
	}
	if len(f.wall.calls) > 0 {
		t.Errorf("calls %v", f.wall.calls)
	}
	if !strings.Contains(f.log.String(), "danger=true") {
		t.Errorf("an emergency of nobody is not in the log: %s", f.log)
	}
}

// The fields of a modal as the documentation has them ("Component Reference"),
// the old rows, and what may come.
func TestWordsOfAModal(t *testing.T) {
	deep := strings.Repeat(`{"components":[`, 1000) + `{"value":"deep"}` + strings.Repeat(`]}`, 1000)
	for name, c := range map[string]struct{ raw, words string }{
		"a label":                     {`[{"type":18,"id":1,"component":{"type":4,"id":2,"custom_id":"words","value":"a"}}]`, "a"},
		"a row":                       {`[{"type":1,"components":[{"type":4,"custom_id":"words","value":"a"}]}]`, "a"},
		"both, and more":              {`[{"components":[{"value":"a"},{"value":"b"}],"component":{"value":"c"}},{"value":"d"}]`, "a\nb\nc\nd"},
		"a box to tick, beside words": {`[{"component":{"type":23,"value":true}},{"component":{"value":"a"}}]`, "a"},
		"a number, a list, nothing":   {`[7,null,{"component":null},{"value":["a",{"x":"b"}]},{"value":7}]`, "a\nb"},
		"deep":                        {"[" + deep + "]", "deep"},
	} {
		var list []component
		if err := understood([]byte(c.raw), &list); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if got := words(list); got != c.words {
			t.Errorf("%s: %q, want %q", name, got, c.words)
		}
	}
	var list []component
	if err := understood([]byte(`[{"component":{"custom_id":"outcome","values":["seen",7]}},{"component":{"custom_id":"note","value":"n"}},{"component":{"custom_id":["x"],"value":"y"}}]`), &list); err != nil {
		t.Fatal(err)
	}
	if got := fields(list); got["note"] != "n" || got["outcome"] != "seen," || len(got) != 2 {
		t.Errorf("fields %v", got)
	}
}

// Every interaction that can be answered is answered once, whatever it is, and
// words that are handed in are heard, whatever field they come from.
func TestEveryInteractionIsAnswered(t *testing.T) {
	const head = `{"id":"10","token":"t","channel_id":"20","user":{"id":"30"},`
	for name, c := range map[string]struct{ raw, heard string }{
		"a button of tomorrow":         {`"type":3,"data":{"custom_id":"z|1|2"}}`, ""},
		"an answer without a value":    {`"type":3,"data":{"custom_id":"a|token"}}`, ""},
		"an answer without anything":   {`"type":3,"data":{"custom_id":"a"}}`, ""},
		"a menu without values":        {`"type":3,"data":{"custom_id":"m|token","values":null}}`, ""},
		"no ID of a button":            {`"type":3,"data":{}}`, ""},
		"data that is a list":          {`"type":3,"data":[]}`, ""},
		"a kind of tomorrow":           {`"type":9,"data":{"custom_id":"x"}}`, ""},
		"a kind that is text":          {`"type":"3","data":{"custom_id":"open"}}`, ""},
		"a command":                    {`"type":2,"data":{"name":"ankle"}}`, ""},
		"a press of staff without any": {`"type":3,"data":{"custom_id":"s|take|1"}}`, ""},
		"a field of ours":              {`"type":5,"data":{"custom_id":"w|1","components":[{"type":18,"component":{"value":"I can't breathe"}}]}}`, emergency},
		"a field of tomorrow":          {`"type":5,"data":{"custom_id":"q|1","components":[{"type":99,"component":{"value":"I can't breathe"}}]}}`, emergency},
		"a field beside odd parts":     {`"type":5,"message":{"id":"11","components":[{"components":[{"options":7}]},4]},"data":{"custom_id":"w|1","values":9,"components":[4,{"component":{"value":"I can't breathe"}}]}}`, emergency},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := newFront(t)
			f.gets(t, "INTERACTION_CREATE", head+c.raw)
			if n := len(f.wall.made("/callback")); n != 1 {
				t.Errorf("%d first answers: %v", n, f.wall.calls)
			}
			if c.heard != "" && !(f.heardIt(c.heard) && f.urgent(t, "30")) {
				t.Errorf("%q is not heard: %s", c.heard, f.log)
			}
		})
	}
}

// Whatever an event holds: nothing falls, and what a person wrote in private is
// heard. What is in the event is worked out apart, from maps.
func FuzzMessage(f *testing.F) {
	for _, raw := range []string{
		`{"id":"10","channel_id":"20","author":{"id":"30"},"content":"I can't breathe"}`,
		`{"id":10,"author":{"id":30},"content":["a",{"b":"I can't breathe"}]}`,
		`{"id":"10","author":{"id":"30"},"message_snapshots":[{"message":{"content":"my foot is blue"}}]}`,
		`{"id":"10","guild_id":{},"author":{"id":"30"},"content":"I can't breathe"}`,
		`{"id":"10","author":{"id":"30","bot":true},"content":"x"}`, `{"id":"\u0000","author":{"id":"\ud800"},"content":"\ud800\u0000"}`,
		`{"ID":"10","Author":{"ID":"30"},"CONTENT":"x","content":"y"}`, `{"author":{"id":"30"},"author":{"id":"31"},"content":"x"}`,
		`{"id":"10","author":{"id":"30"},"content":"","attachments":[1]}`, `[[[[[[`, `{"content":`, `null`,
	} {
		f.Add([]byte(raw))
	}
	exact := regexp.MustCompile(`^[0-9]{1,20}$`)
	f.Fuzz(func(t *testing.T, raw []byte) {
		front := newFront(t)
		front.gets(t, "MESSAGE_CREATE", string(raw))
		front.gets(t, "MESSAGE_UPDATE", string(raw))
		var m struct {
			Author map[string]any
			Keys   map[string]json.RawMessage
		}
		if json.Unmarshal(raw, &m.Keys) != nil || json.Unmarshal(m.Keys["author"], &m.Author) != nil {
			return
		}
		for k := range m.Keys { // keys are read in any case by the library of Go
			if l := strings.ToLower(k); l != k || strings.ContainsAny(k, "ſK") {
				return
			}
		}
		var content string
		_, bot := m.Author["bot"]
		who, _ := m.Author["id"].(string)
		if json.Unmarshal(m.Keys["content"], &content) != nil || strings.TrimSpace(content) == "" || len(m.Author) > 1 || bot || !exact.MatchString(who) || who == "0" || who == "2" || m.Keys["guild_id"] != nil {
			return
		}
		if !front.heardIt(content) {
			t.Errorf("%q of %s is not heard: %s", content, who, front.log)
		}
	})
}

// Whatever an interaction holds: nothing falls, and it is answered at most once.
func FuzzInteraction(f *testing.F) {
	for _, raw := range []string{
		`{"id":"10","token":"t","type":3,"channel_id":"20","user":{"id":"30"},"data":{"custom_id":"a|tok|yes"},"message":{"id":"1","content":"q","components":[{"components":[{"custom_id":"a|tok|yes","label":"Yes"}]}]}}`,
		`{"id":"10","token":"t","type":3,"guild_id":"5","member":{"user":{"id":"30"},"permissions":"-1"},"data":{"custom_id":"m|tok","values":["a",2]}}`,
		`{"id":"10","token":"t","type":5,"user":{"id":"30"},"data":{"custom_id":"w|tok","components":[{"component":{"value":"I can't breathe"}}]}}`,
		`{"id":"10","token":"t","type":5,"user":{"id":"30"},"data":{"custom_id":"s|reply|1","components":[{"component":{"custom_id":"text","value":"x"}}]}}`,
		`{"id":"10","token":"t","type":2,"guild_id":"5","member":{"user":{"id":"30"},"permissions":"32"},"data":{"name":"ankle-setup","options":[{"name":"zone","value":7},null]}}`,
		`{"id":"10","token":"t","type":3,"user":{"id":"30"},"data":{"custom_id":"thread|yes"}}`, `{"id":"10","token":"t","type":3,"user":{"id":"30"},"data":{"custom_id":"s|"}}`,
		`{"token":"../../x?y#z","user":{"id":"30"}}`, `{"token":"\u0000","user":{"id":"30"},"type":3}`, `null`, `{`,
	} {
		f.Add([]byte(raw))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		front := newFront(t)
		front.gets(t, "INTERACTION_CREATE", string(raw))
		if n := len(front.wall.made("/callback")); n > 1 {
			t.Errorf("%d first answers", n)
		}
	})
}

// The ID of every button that is made leads back to the question and the
// choice that it was made for.
func FuzzButtonID(f *testing.F) {
	for _, s := range [][2]string{{"abc-12", "yes"}, {"", ""}, {"a|b", "c"}, {"é", "\x00"}} {
		f.Add(s[0], s[1])
	}
	f.Fuzz(func(t *testing.T, token, value string) {
		if strings.Contains(value, "|") {
			return // no choice has one
		}
		front := newFront(t)
		made := answerButton(token, outbox.Choice{Value: value, Label: "x"})
		var i interaction
		i.Type, i.Data.CustomID = pressed, made.CustomID
		mark, rest, _ := strings.Cut(made.CustomID, "|")
		first, j := front.asks(i, mark, rest)
		if first.Type != changeLater || j.token != token || fmt.Sprint(j.values) != fmt.Sprint([]string{value}) {
			t.Errorf("%q leads to %q, %q", made.CustomID, j.token, j.values)
		}
		if len(made.CustomID) > mostID != (checkIDs([]row{rowOf(made)}) != nil) {
			t.Errorf("%q has %d bytes", made.CustomID, len(made.CustomID))
		}
	})
}

// Every part of a text fits into a message and none of its words is lost. The
// limit is Discord's ("Create Message"); a character is a UTF-16 unit here.
func FuzzSplit(f *testing.F) {
	f.Add("a\nb", uint16(3))
	f.Add(strings.Repeat("x", 30)+"\n\n"+strings.Repeat("é\n", 20), uint16(7))
	f.Add("😀😀😀", uint16(3))
	f.Add("a\xff\xfe\n\xff", uint16(2))
	f.Fuzz(func(t *testing.T, text string, most uint16) {
		most = 2 + most%2000
		var got strings.Builder
		for _, p := range split(text, int(most)) {
			if units(p) > int(most) {
				t.Errorf("%q has %d units", p, units(p))
			}
			got.WriteString(p)
		}
		bare := func(s string) string { return strings.Join(strings.Fields(s), "") }
		if strings.TrimSpace(text) != "" && bare(got.String()) != bare(text) {
			t.Errorf("%q became %q", text, got.String())
		}
		if c := clip(text, int(most)); units(c) > int(most) {
			t.Errorf("clipped to %d units: %q", units(c), c)
		}
	})
}

// Nothing that somebody wrote can call anybody, or be a link or markup.
func FuzzEscape(f *testing.F) {
	f.Add("@everyone <@1> [a](http://b) **x**\n- y\n> z https://a.b")
	calls := regexp.MustCompile(`(^|[^\\])(\\\\)*[@<\[*_~|#>` + "`" + `]|://`)
	f.Fuzz(func(t *testing.T, text string) {
		if m := calls.FindString(escape(text)); m != "" {
			t.Errorf("%q is left in %q", m, escape(text))
		}
	})
}

// An account that is nobody's is nobody, and IDs grow.
func TestIDs(t *testing.T) {
	for raw, want := range map[string]snowflake{`"12"`: "12", `12`: "12", `null`: "", `""`: "", `{}`: oddID, `"a/b"`: oddID, `"` + strings.Repeat("1", 40) + `"`: oddID, `1.5`: oddID} {
		var got snowflake
		if err := json.Unmarshal([]byte(raw), &got); err != nil || got != want {
			t.Errorf("%s is %q (%v), want %q", raw, got, err, want)
		}
	}
	if a, b := eventID(""), eventID(oddID); a == b || !strings.HasPrefix(string(a), "discord/nameless/") || eventID("7") != care.EventID("discord/7") {
		t.Errorf("nameless events are %q and %q", a, b)
	}
	if before("100") != "099" || !older(before("1000"), "1000") || older("9", "10") == older("10", "9") {
		t.Error("IDs are not in order")
	}
}
