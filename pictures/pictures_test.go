package pictures

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"image"
	"image/color"
	"image/png"
	"os"
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/flow/protocol"
	"turnstone/locales"
)

const again = "run: make pictures (it needs rsvg-convert; Debian: apt install librsvg2-bin)"

func protocols(t *testing.T) []*protocol.Protocol {
	t.Helper()
	all, err := protocol.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestEveryPictureOfEveryProtocolIsThere(t *testing.T) {
	shown := map[string]bool{}
	for _, p := range protocols(t) {
		if err := Check(p.Pictures()); err != nil {
			t.Error(err)
		}
		for _, name := range p.Pictures() {
			shown[name] = true
		}
	}
	for _, name := range Names() {
		if !shown[name] && name != "four-points" { // an overview for staff and for the documents
			t.Errorf("no protocol shows %q; name it there or take it away", name)
		}
	}
}

func TestAMissingPictureIsNamedWithWhatToDo(t *testing.T) {
	err := Check([]string{"navicular", "elbow"})
	if err == nil || !strings.Contains(err.Error(), `"elbow"`) || !strings.Contains(err.Error(), "make pictures") || strings.Contains(err.Error(), "navicular") {
		t.Errorf("got %v", err)
	}
}

// The title and the description inside a file are for whoever opens it alone.
func TestTheWordsInAFileAreThoseOfTheBook(t *testing.T) {
	book, err := locales.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range Names() {
		d := open(t, name)
		for _, l := range book.Locales() {
			want, err := book.Text(l, care.Sentence{Key: Words(name)})
			if err != nil {
				t.Error(err)
				continue
			}
			var got []string
			for _, n := range d.all() {
				if (n.is("title") || n.is("desc")) && n.attr("lang") == string(l) {
					got = append(got, n.Text)
				}
			}
			if strings.Join(got, "\n") != want {
				t.Errorf("%s.svg: title and desc in %s are\n%s\nand the book says\n%s", name, l, strings.Join(got, "\n"), want)
			}
		}
	}
}

// docs/pictures.md is what a clinician signs by; it shows every picture with
// the words that go out, in every language.
func TestThePageForCliniciansHasEveryPicture(t *testing.T) {
	raw, err := os.ReadFile("../docs/pictures.md")
	if err != nil {
		t.Fatal(err)
	}
	book, err := locales.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range Names() {
		_, part, found := strings.Cut(string(raw), "\n## "+name+"\n")
		if !found {
			t.Errorf("docs/pictures.md has no part on %q", name)
			continue
		}
		part, _, _ = strings.Cut(part, "\n## ")
		for _, l := range book.Locales() {
			words, err := book.Text(l, care.Sentence{Key: Words(name)})
			if err != nil {
				t.Fatal(err)
			}
			if quoted := "> " + strings.ReplaceAll(words, "\n", "  \n> ") + "\n"; !strings.Contains(part, quoted) {
				t.Errorf("docs/pictures.md does not quote %s in %s; it should say:\n%s", name, l, quoted)
			}
		}
		if !strings.Contains(part, "A clinician checks: ") || !strings.Contains(part, "../pictures/"+name+".svg") {
			t.Errorf("docs/pictures.md: %q needs its picture and what a clinician checks", name)
		}
	}
}

// The person finds each number of the picture at the answer of that number.
func TestThePartsAreNumberedAsTheAnswersAre(t *testing.T) {
	for _, p := range protocols(t) {
		f, ok := p.Facts["where_it_hurts"]
		if !ok || f.Picture != "where-it-hurts" {
			continue
		}
		got := strings.Join(f.Values, " ")
		if want := "ankle midfoot heel back_of_heel shin toes elsewhere"; got != want {
			t.Errorf("%s: the answers are %q, the picture numbers %q", p.ID(), got, want)
		}
	}
	seen := 0
	for _, n := range open(t, "where-it-hurts").all() {
		if strings.HasPrefix(n.attr("id"), "number-") {
			seen++
		}
	}
	if seen != 6 {
		t.Errorf("got %d numbers in the picture, want 6", seen)
	}
}

// `make pictures` leaves the SHA-256 of each SVG and of the PNG made from it.
func TestEveryPNGWasMadeFromItsSVG(t *testing.T) {
	raw, err := os.ReadFile("made.sha256")
	if err != nil {
		t.Fatalf("%v; %s", err, again)
	}
	made := map[string]string{}
	for line := range strings.Lines(string(raw)) {
		if f := strings.Fields(line); len(f) == 2 {
			made[f[1]] = f[0]
		}
	}
	for _, name := range Names() {
		p, err := Find(name)
		if err != nil {
			t.Fatal(err)
		}
		for file, data := range map[string][]byte{name + ".svg": p.SVG, name + ".png": p.PNG} {
			sum := sha256.Sum256(data)
			if made[file] != hex.EncodeToString(sum[:]) {
				t.Errorf("%s has changed since the PNG was made; %s", file, again)
			}
			delete(made, file)
		}
	}
	for file := range made {
		t.Errorf("made.sha256 names %s, which is not there; %s", file, again)
	}
}

// Budgets of our own: a phone on a slow line loads one picture a question.
func TestPicturesAreSmallAndOfOneWidth(t *testing.T) {
	for _, name := range Names() {
		p, err := Find(name)
		if err != nil {
			t.Fatal(err)
		}
		var zipped bytes.Buffer
		w := gzip.NewWriter(&zipped)
		if _, err := w.Write(p.SVG); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if zipped.Len() > 4096 || len(p.PNG) > 100_000 {
			t.Errorf("%s: SVG %d bytes zipped (at most 4096), PNG %d bytes (at most 100000)", name, zipped.Len(), len(p.PNG))
		}
		c, err := png.DecodeConfig(bytes.NewReader(p.PNG))
		if err != nil {
			t.Fatal(err)
		}
		d := open(t, name)
		if c.Width != 640 || float64(c.Height) != d.num(t, "height") || d.num(t, "width") != 640 {
			t.Errorf("%s: the PNG is %dx%d, the SVG %sx%s", name, c.Width, c.Height, d.attr("width"), d.attr("height"))
		}
	}
}

// At places that the SVG itself names, the PNG has the colour that it names.
func TestTheMarksAreInThePNG(t *testing.T) {
	looked := 0
	for _, name := range Names() {
		p, err := Find(name)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(p.PNG))
		if err != nil {
			t.Fatal(err)
		}
		d := open(t, name)
		if got, want := at(img, 12, int(d.num(t, "height"))/2), d.byID(t, "card").attr("fill"); got != want && name != "upper-shin" {
			t.Errorf("%s.png: the card is %s, want %s; %s", name, got, want, again)
		}
		for _, n := range d.Nodes { // those that nothing moves or scales
			if !n.is("circle") || n.attr("id") != "press" {
				continue
			}
			looked++
			x, y, r := n.num(t, "cx"), n.num(t, "cy"), n.num(t, "r")
			for _, side := range []float64{-1, 1} {
				if got := at(img, int(x+side*r), int(y)); got != n.attr("stroke") {
					t.Errorf("%s.png: the ring is %s beside %v,%v, want %s; %s", name, got, x, y, n.attr("stroke"), again)
				}
			}
		}
	}
	if looked < 4 {
		t.Errorf("only %d rings were looked at", looked)
	}
}

func at(img image.Image, x, y int) string {
	c, ok := color.NRGBAModel.Convert(img.At(x, y)).(color.NRGBA)
	if !ok || c.A != 255 {
		return "not opaque"
	}
	return "#" + hex.EncodeToString([]byte{c.R, c.G, c.B})
}
