package locales

import (
	"io/fs"
	"regexp"
	"slices"
	"time"

	"turnstone/care"
)

// The files of the numbers.
const (
	emergencyFile = numbersFolder + "/emergency.toml"
	crisisFile    = numbersFolder + "/crisis.toml"
)

// placeRow is the sentence that shows a number with where it works.
const placeRow care.SentenceKey = "card.place"

// rereadAfter is how old a row may get before a person reads its source again.
const rereadAfter = 180 * 24 * time.Hour

var regionCode = regexp.MustCompile(`^[A-Z]{2}$`)

// Numbers holds the emergency and crisis numbers of each region. It never
// guesses: an unknown region has no number.
type Numbers struct {
	emergency, crisis []row
	places            []place
}

// A row is one region with its number, where that was read, and by whom.
type row struct {
	Code      string `toml:"code"`
	Number    string `toml:"number"`
	Reaches   string `toml:"reaches"`
	Source    string `toml:"source"`
	Date      string `toml:"date"`
	CheckedBy string `toml:"checked_by"`
	Zone      string `toml:"zone"`
}

// A place is a number for somebody whose region is not known, with the sentence
// that names where it works, and the known regions among them.
type place struct {
	Number  string           `toml:"number"`
	Label   care.SentenceKey `toml:"label"`
	Regions []string         `toml:"regions"`
}

// numbersData is a file of the numbers folder as written.
type numbersData struct {
	Region []row   `toml:"region"`
	Place  []place `toml:"place"`
}

// Emergency returns the number that reaches an ambulance in a region (ISO 3166
// code), as digits. It is false for an unknown region.
func (n *Numbers) Emergency(region string) (string, bool) { return find(n.emergency, region) }

// Crisis returns the region's line for people in despair. It is false where no
// such line is known; the emergency number stands in for it then.
func (n *Numbers) Crisis(region string) (string, bool) { return find(n.crisis, region) }

func find(rows []row, region string) (string, bool) {
	i := slices.IndexFunc(rows, func(r row) bool { return r.Code == region })
	if i < 0 {
		return "", false
	}
	return rows[i].Number, true
}

// Regions lists the regions that have an emergency number, in the order of
// their codes.
func (n *Numbers) Regions() []string {
	var out []string
	for _, r := range n.emergency {
		out = append(out, r.Code)
	}
	slices.Sort(out)
	return out
}

// Places gives the rows to show while the region is not known: each a sentence
// with a number and where it works.
func (n *Numbers) Places() []care.Sentence {
	out := make([]care.Sentence, len(n.places))
	for i, p := range n.places {
		out[i] = care.Sentence{Key: placeRow, Args: map[string]string{"number": p.Number, "places": "@" + string(p.Label)}}
	}
	return out
}

// Zone returns the time zone of a region that keeps one clock.
func (n *Numbers) Zone(region string) (string, bool) {
	i := slices.IndexFunc(n.emergency, func(r row) bool { return r.Code == region && r.Zone != "" })
	if i < 0 {
		return "", false
	}
	return n.emergency[i].Zone, true
}

// Stale lists the rows whose source was read more than 180 days before now, as
// "file: region". A person has to read those again.
func (n *Numbers) Stale(now time.Time) []string {
	var out []string
	add := func(file string, rows []row) {
		for _, r := range rows {
			read, err := time.Parse(time.DateOnly, r.Date)
			if err != nil || now.Sub(read) > rereadAfter {
				out = append(out, file+": "+r.Code)
			}
		}
	}
	add(emergencyFile, n.emergency)
	add(crisisFile, n.crisis)
	return out
}

// LoadNumbers reads the numbers and answers with every fault at once, one a
// line, each with its file and line.
func LoadNumbers(fsys fs.FS) (*Numbers, error) {
	var emergency, crisis numbersData
	first, err := decodeFile(fsys, emergencyFile, &emergency)
	if err != nil {
		return nil, err
	}
	second, err := decodeFile(fsys, crisisFile, &crisis)
	if err != nil {
		return nil, err
	}
	n := &Numbers{emergency: emergency.Region, crisis: crisis.Region, places: emergency.Place}
	checkRows(first, emergency.Region)
	checkRows(second, crisis.Region)
	for _, r := range crisis.Region {
		if _, ok := n.Emergency(r.Code); !ok {
			second.fault(`code = "`+r.Code+`"`, "region %q has no emergency number: add it to %s first", r.Code, emergencyFile)
		}
	}
	if len(crisis.Place) > 0 {
		second.fault("[[place]]", "a place belongs into %s: move it", emergencyFile)
	}
	if len(n.places) == 0 || len(n.emergency) == 0 {
		first.fault("", "there must be a [[region]] and a [[place]] at least: add them")
	}
	n.checkPlaces(first)
	if err := joined(first, second); err != nil {
		return nil, err
	}
	return n, nil
}

// checkRows reads each region's block.
func checkRows(src *source, rows []row) {
	seen := map[string]bool{}
	for _, r := range rows {
		at := func(format string, args ...any) { src.fault(`code = "`+r.Code+`"`, format, args...) }
		if !regionCode.MatchString(r.Code) || seen[r.Code] {
			at("region code %q: write two capital letters, each region once", r.Code)
		}
		seen[r.Code] = true
		if !callNumber.MatchString(r.Number) {
			at(`region %s has the number %q: write 2 to 6 digits in quotes`, r.Code, r.Number)
		}
		if r.Reaches == "" || r.Source == "" || r.CheckedBy == "" {
			at("region %s: say what the number reaches, the source, and who read it", r.Code)
		}
		if _, err := time.Parse(time.DateOnly, r.Date); err != nil {
			at("region %s: date is %q: write it as 2026-11-25", r.Code, r.Date)
		}
		if _, err := time.LoadLocation(r.Zone); r.Zone != "" && err != nil {
			at("region %s: no time zone %q: write an IANA name, such as Europe/Lisbon", r.Code, r.Zone)
		}
	}
}

// checkPlaces reads the list for an unknown region.
func (n *Numbers) checkPlaces(src *source) {
	for _, p := range n.places {
		at := func(format string, args ...any) { src.fault(`label = "`+string(p.Label)+`"`, format, args...) }
		if !callNumber.MatchString(p.Number) || p.Label == "" {
			at("place %q, label %q: write a number of 2 to 6 digits in quotes, and the key of a sentence", p.Number, p.Label)
		}
		for _, code := range p.Regions {
			if _, ok := n.Emergency(code); !ok {
				at("place %s: no region %q in this file: correct the code", p.Number, code)
			}
		}
	}
}
