package locales

import (
	"fmt"

	"github.com/nicksnyder/go-i18n/v2/i18n"
	"golang.org/x/text/language"

	"turnstone/care"
)

// otherForm is the plural form that every language has.
const otherForm = "other"

// plurals chooses the plural form of one language.
type plurals struct {
	localizer *i18n.Localizer
}

// newPlurals makes the chooser of a language. The library holds one message
// whose forms are their own names, so that its answer is the form.
func newPlurals(tag care.Locale) (*plurals, error) {
	t, err := language.Parse(string(tag))
	if err != nil {
		return nil, fmt.Errorf("%q is no language tag: %w", tag, err)
	}
	bundle := i18n.NewBundle(t)
	m := &i18n.Message{ID: "form", Zero: "zero", One: "one", Two: "two", Few: "few", Many: "many", Other: otherForm}
	if err := bundle.AddMessages(t, m); err != nil {
		return nil, fmt.Errorf("no plural rule is known for %q: %w", tag, err)
	}
	return &plurals{i18n.NewLocalizer(bundle, string(tag))}, nil
}

// form returns the plural form of n.
func (p *plurals) form(n int) (string, error) {
	name, err := p.localizer.Localize(&i18n.LocalizeConfig{MessageID: "form", PluralCount: n})
	if err != nil {
		return "", fmt.Errorf("plural form of %d: %w", n, err)
	}
	return name, nil
}

// needed lists the forms that the whole numbers from 0 to 200 use: days,
// minutes, scores and ages lie there.
func (p *plurals) needed() (map[string]bool, error) {
	out := map[string]bool{}
	for n := range 201 {
		f, err := p.form(n)
		if err != nil {
			return nil, err
		}
		out[f] = true
	}
	return out, nil
}
