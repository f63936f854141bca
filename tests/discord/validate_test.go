package discord_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
)

// checker runs the outside checks (npm discord-api-spec 10.0.266135, made from
// Discord's published API description, and @discordjs/builders 1.15.0).
func checker(t *testing.T, lines []byte) []string {
	t.Helper()
	packages(t)
	cmd := exec.Command("node", "check.mjs")
	cmd.Dir, cmd.Stdin = "validate", bytes.NewReader(lines)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("the outside checks: %v\n%s", err, out)
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}

// packages puts the outside packages there.
func packages(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath("npm"); err != nil {
		t.Fatalf("npm is missing: %v; install it with: apt-get install nodejs npm", err)
	}
	if _, err := os.Stat("validate/node_modules/zod"); err != nil {
		ci := exec.Command("npm", "ci", "--no-audit", "--no-fund")
		ci.Dir = "validate"
		if out, err := ci.CombinedOutput(); err != nil {
			t.Fatalf("npm ci in tests/discord/validate: %v\n%s", err, out)
		}
	}
}

// kindOf names the schema of a call, by its address.
func kindOf(c double.Sent) (kind string, bodies []any) {
	var body any
	if json.Unmarshal(c.Body, &body) != nil {
		return "", nil
	}
	switch {
	case strings.HasSuffix(c.Path, "/commands"):
		list, _ := body.([]any)
		return "command", list
	case strings.HasSuffix(c.Path, "/callback"):
		first, _ := body.(map[string]any)
		return map[float64]string{4: "reply", 5: "reply", 6: "change", 7: "change", 9: "modal"}[first["type"].(float64)], []any{body}
	case strings.Contains(c.Path, "/messages") || strings.HasPrefix(c.Path, "webhooks/"):
		return "message", []any{body}
	}
	return "", nil
}

// Everything that goes out in whole talks, in every language, passes the
// outside checks; and those checks find what is wrong.
func TestEveryPayloadPassesTheOutsideChecks(t *testing.T) {
	s := newStage(t)
	s.up()
	ch := s.p.Channel("server", false)
	s.p.Join("en-US").Command(ch, "ankle-setup", map[string]string{"zone": "Europe/Lisbon", "region": "PT"})
	for _, locale := range []string{"en-US", "es-ES"} {
		who := s.p.Join(locale)
		who.Command(ch, "ankle", nil)
		s.wholeTalk(who)
		shut := s.p.Join(locale)
		shut.Shut(true)
		shut.Command(ch, "ankle", nil)
		if !s.p.Until(patience, func() bool { l := shut.Seen(); return len(l) > 0 && len(l[0].Rows) > 1 }) {
			t.Fatal("nothing is asked in private")
		}
		m := shut.Seen()[0]
		a := shut.Press(m, m.Rows[len(m.Rows)-1].Parts[0].CustomID)
		if !s.p.Until(patience, func() bool { return !a.Failed() }) {
			t.Error("no field opens")
		}
	}
	lines, n, kinds := s.payloads()
	if kinds["message"] < 80 {
		t.Errorf("only %d messages: the talks came to no end", kinds["message"])
	}
	for _, k := range []string{"message", "reply", "change", "modal", "command"} {
		if kinds[k] == 0 {
			t.Errorf("no %s was sent", k)
		}
	}
	for _, fault := range checker(t, lines) {
		if fault != fmt.Sprintf("seen %d", n) {
			t.Error(fault)
		}
	}
	long := strings.Repeat("x", 81)
	bad := []byte(`{"kind":"message","body":{"content":"x","components":[{"type":1,"components":[{"type":2,"style":2,"label":"` + long + `","custom_id":"a"}]}]}}` + "\n" +
		`{"kind":"command","body":{"name":"Two Words","description":"x","name_localizations":{},"description_localizations":{}}}` + "\n")
	if found := checker(t, bad); len(found) < 3 {
		t.Errorf("the outside checks let two faults through: %v", found)
	}
}

// payloads are all that was sent, a line each with the name of its schema.
func (s *stage) payloads() (lines []byte, n int, kinds map[string]int) {
	s.t.Helper()
	kinds = map[string]int{}
	for _, c := range s.p.Sent() {
		kind, bodies := kindOf(c)
		for _, b := range bodies {
			data, err := json.Marshal(map[string]any{"kind": kind, "body": b})
			if err != nil {
				s.t.Fatal(err)
			}
			lines = append(append(lines, data...), '\n')
			n++
			kinds[kind]++
		}
	}
	return lines, n, kinds
}

// wholeTalk presses or writes the plainest answer until home care begins.
func (s *stage) wholeTalk(who *double.Person) {
	s.t.Helper()
	words := map[string]string{"34": "34", "2": "2"}
	last := ""
	for range 45 {
		var m double.Message
		if !s.p.Until(5*time.Second, func() bool {
			var asks bool
			m, asks = question(who.Direct())
			return m.ID != last && m.ID != "" && (asks || strings.Contains(m.Content, "-# "))
		}) {
			return // nothing is asked any more
		}
		last = m.ID
		answered := false
		for _, v := range []string{"none", "ankle", "left", "normal", "some", "no", "next", "yes"} {
			if strings.Contains(m.Content, "14:20") || strings.Contains(m.Content, "?") && v == "no" && s.wantsYes(m) {
				v = "yes"
			}
			if id, values := button(m, v); id != "" {
				who.Press(m, id, values...)
				answered = true
				break
			}
		}
		if !answered {
			switch {
			case strings.Contains(m.Content, "34"):
				who.Write(words["34"])
			case strings.Contains(m.Content, "10"):
				who.Write(words["2"])
			default:
				who.Write("PT2H")
			}
		}
	}
}

// wantsYes are the questions where a plain sprain says yes.
func (s *stage) wantsYes(m double.Message) bool {
	for _, w := range []string{"four steps", "cuatro pasos", "Is it about", "más o menos las", "keep your answers", "May I", "guardar", "Guardo"} {
		if strings.Contains(m.Content, w) {
			return true
		}
	}
	return false
}
