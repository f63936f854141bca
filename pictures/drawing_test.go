package pictures

import (
	"encoding/xml"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// A node is one element of a drawing.
type node struct {
	XMLName xml.Name
	Attrs   []xml.Attr `xml:",any,attr"`
	Text    string     `xml:",chardata"`
	Nodes   []node     `xml:",any"`
}

func (n *node) is(name string) bool { return n.XMLName.Local == name }

func (n *node) attr(name string) string {
	for _, a := range n.Attrs {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func (n *node) num(t *testing.T, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(n.attr(name), 64)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return v
}

func (n *node) all() []*node {
	list := []*node{n}
	for i := range n.Nodes {
		list = append(list, n.Nodes[i].all()...)
	}
	return list
}

func (n *node) byID(t *testing.T, id string) *node {
	t.Helper()
	for _, c := range n.all() {
		if c.attr("id") == id {
			return c
		}
	}
	t.Fatalf("nothing has the id %q", id)
	return nil
}

func open(t *testing.T, name string) *node {
	t.Helper()
	p, err := Find(name)
	if err != nil {
		t.Fatal(err)
	}
	var d node
	if err := xml.Unmarshal(p.SVG, &d); err != nil {
		t.Fatalf("%s.svg: %v", name, err)
	}
	return &d
}

// What a drawing may hold: what every browser and rsvg-convert draw alike, no
// letters (a language each), no script, nothing from outside the file.
var (
	elements   = strings.Fields("svg title desc defs g path circle rect clipPath use")
	attributes = strings.Fields("xmlns viewBox width height lang id fill stroke stroke-width stroke-dasharray stroke-linecap stroke-linejoin d cx cy r x y rx transform clip-path href")
	inside     = regexp.MustCompile(`^(#[a-z0-9-]+|url\(#[a-z0-9-]+\))$`)
	colour     = regexp.MustCompile(`^(none|#[0-9a-f]{6})$`)
)

func TestDrawingsKeepToASmallPartOfSVG(t *testing.T) {
	for _, name := range Names() {
		for _, n := range open(t, name).all() {
			if !slices.Contains(elements, n.XMLName.Local) {
				t.Errorf("%s.svg: <%s> is not among %v", name, n.XMLName.Local, elements)
			}
			for _, a := range n.Attrs {
				switch key := a.Name.Local; {
				case !slices.Contains(attributes, key):
					t.Errorf("%s.svg: attribute %s is not among %v", name, key, attributes)
				case (key == "href" || key == "clip-path") && !inside.MatchString(a.Value):
					t.Errorf("%s.svg: %s=%q points outside the file", name, key, a.Value)
				case (key == "fill" || key == "stroke") && !colour.MatchString(a.Value):
					t.Errorf("%s.svg: %s=%q; write a colour as #rrggbb", name, key, a.Value)
				}
			}
		}
	}
}

// A foot is drawn once and copied: the same id is the same shape everywhere.
func TestAShapeIsTheSameInEveryPicture(t *testing.T) {
	seen := map[string][2]string{}
	for _, name := range Names() {
		ids := map[string]bool{}
		for _, n := range open(t, name).all() {
			id := n.attr("id")
			if id == "" {
				continue
			}
			if ids[id] {
				t.Errorf("%s.svg: two elements have the id %q", name, id)
			}
			ids[id] = true
			if d := n.attr("d"); strings.HasPrefix(id, "foot-") || id == "fibula" || id == "navicular" || id == "fifth" || id == "tibia-inside" {
				if was, ok := seen[id]; ok && was[1] != d {
					t.Errorf("%s in %s.svg is not what it is in %s.svg; copy it", id, name, was[0])
				}
				seen[id] = [2]string{name, d}
			}
		}
	}
	if len(seen) < 6 {
		t.Errorf("only %d shared shapes were found", len(seen))
	}
}

// colours are those of n; how they are written is tested above.
func colours(n *node) []string {
	return slices.DeleteFunc([]string{n.attr("fill"), n.attr("stroke")}, func(c string) bool { return len(c) != 7 })
}

// luminance and ratio are WCAG 2.2's "relative luminance" and "contrast ratio".
func luminance(hex string) float64 {
	v := rgb(hex)
	for i, c := range v {
		if c <= 0.04045 {
			v[i] = c / 12.92
		} else {
			v[i] = math.Pow((c+0.055)/1.055, 2.4)
		}
	}
	return 0.2126*v[0] + 0.7152*v[1] + 0.0722*v[2]
}

func rgb(hex string) [3]float64 {
	var v [3]float64
	for i := range v {
		n, _ := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8) // matched in TestDrawingsKeepToASmallPartOfSVG
		v[i] = float64(n) / 255
	}
	return v
}

func ratio(a, b string) float64 {
	l, m := luminance(a), luminance(b)
	return (max(l, m) + 0.05) / (min(l, m) + 0.05)
}

func TestRatioIsThatOfTheStandard(t *testing.T) {
	// WCAG 2.2: black on white is 21:1; #767676 on white is its well-known
	// least grey for 4.5:1 (technique G18's threshold).
	if got := ratio("#000000", "#ffffff"); math.Abs(got-21) > 0.001 {
		t.Errorf("black on white: got %v, want 21", got)
	}
	if a, b := ratio("#767676", "#ffffff"), ratio("#777777", "#ffffff"); a < 4.5 || b >= 4.5 {
		t.Errorf("got %v and %v, want 4.5 between them", a, b)
	}
}

// Lines and marks are dark, areas light; each dark colour stands 3:1 against
// each light one (WCAG 2.2, success criterion 1.4.11), wherever they meet. Areas
// stand apart by their outlines; only the bones that nobody has to see have none.
func TestEveryLineStandsOutFromEveryArea(t *testing.T) {
	for _, name := range Names() {
		d := open(t, name)
		lines, areas := map[string]bool{}, map[string]bool{}
		for _, n := range d.all() {
			for _, c := range colours(n) {
				if luminance(c) < 0.18 {
					lines[c] = true
				} else {
					areas[c] = true
				}
			}
		}
		for l := range lines {
			for a := range areas {
				if r := ratio(l, a); r < 3 {
					t.Errorf("%s.svg: %s on %s stands %.2f:1, want 3:1", name, l, a, r)
				}
			}
		}
		if len(lines) < 1 || len(areas) < 2 {
			t.Errorf("%s.svg: %d dark and %d light colours; something was not read", name, len(lines), len(areas))
		}
	}
}

// No colour says "good" or "bad": every strong colour is a blue, and what it
// marks is told by a ring, arrows, hatching, dashes or a number as well.
func TestNoColourOfATrafficLight(t *testing.T) {
	for _, name := range Names() {
		for _, n := range open(t, name).all() {
			for _, c := range colours(n) {
				v := rgb(c)
				chroma := slices.Max(v[:]) - slices.Min(v[:])
				if chroma > 0.2 && v[2] != slices.Max(v[:]) {
					t.Errorf("%s.svg: %s is a strong colour and no blue", name, c)
				}
			}
		}
	}
}
