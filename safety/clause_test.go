package safety

import (
	"testing"

	"turnstone/care"
)

// clauses are harmless things that people say before or after what matters.
var clauses = map[care.Locale][][2]string{
	"en": {
		{"hi, quick question, ", ""},
		{"", ", it was an hour ago"},
		{"i think ", ""},
		{"im scared, ", ""},
		{"not sure if its serious, ", ""},
		{"my son plays soccer, ", ""},
		{"im home already, ", ""},
		{"dont want to bother you, ", ""},
		{"", " and im alone"},
		{"no joke, ", ""},
		{"", ". i have no car"},
		{"watched a film and then ", ""},
		{"hey, ", ", is that normal?"},
		{"last year i broke the other one, now ", ""},
	},
	"es": {
		{"hola, una pregunta, ", ""},
		{"", ", fue hace una hora"},
		{"creo que ", ""},
		{"me da miedo, ", ""},
		{"no sé si es grave, ", ""},
		{"mi hijo juega fútbol, ", ""},
		{"ya estoy en mi casa, ", ""},
		{"no quiero molestar, ", ""},
		{"", " y estoy solo"},
		{"sin exagerar, ", ""},
		{"", ". no tengo carro"},
		{"vi una película y luego ", ""},
		{"oye, ", ", es normal?"},
		{"pensé que era leve pero ", ""},
	},
}

// TestHAZ02_HarmlessClause: what is found is found with something harmless
// before or after it; no silence reaches so far. Some clauses do change the
// meaning of some lines, so not all are kept.
func TestHAZ02_HarmlessClause(t *testing.T) {
	lines, langs := dangers(t)
	n, kept, logged := 0, 0, 0
	for i, l := range lines {
		for _, c := range clauses[langs[i]] {
			text := c[0] + l.text + c[1]
			n++
			if right(screen().Read(text, langs[i]).Class(), l.expected) {
				kept++
			} else if logged++; logged <= 20 {
				t.Logf("%s lost: %q: %v", l.id, text, screen().Why(text, langs[i]))
			}
		}
	}
	t.Logf("%d of %d kept", kept, n)
	if float64(kept) < 0.998*float64(n) {
		t.Errorf("%d of %d kept, want at least 0.998", kept, n)
	}
}
