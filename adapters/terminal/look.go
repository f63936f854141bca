package terminal

import (
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"
)

// A look is how messages are drawn. The zero look is the plain one: words and
// line breaks only, for a pipe, a file or a screen reader.
type look struct {
	framed  bool // a frame may be drawn, and choices set in columns
	colored bool // bold and color may be used
	echoed  bool // what the person types is shown where we write
	marked  bool // a mark shows where to type

	size func() (width, height int, err error) // nil where there is no window
}

// Escape sequences of ECMA-48, section 8.3.117 (select graphic rendition).
// Reversed takes the person's own two colors, so that the contrast is theirs.
const (
	bold     = "\x1b[1m"
	boldRed  = "\x1b[1;31m"
	reversed = "\x1b[1;7m"
	normal   = "\x1b[0m"
)

// newLook finds out what in and out are. Color follows NO_COLOR (any value
// that is not empty) and TERM; TURNSTONE_PLAIN asks for words only.
func newLook(in io.Reader, out io.Writer, env func(string) string) look {
	var l look
	screen, ok := out.(*os.File)
	if !ok || !term.IsTerminal(int(screen.Fd())) {
		return l
	}
	keys, ok := in.(*os.File)
	l.echoed = ok && term.IsTerminal(int(keys.Fd()))
	l.size = func() (int, int, error) { return term.GetSize(int(screen.Fd())) }
	if env("TURNSTONE_PLAIN") != "" {
		return l
	}
	name := env("TERM")
	l.framed, l.marked = true, l.echoed
	l.colored = env("NO_COLOR") == "" && name != "" && name != "dumb"
	return l
}

// Columns of a line: what is comfortable to read, what is assumed where
// nobody knows, and what a line needs at least.
const (
	readable  = 76
	assumed   = 80
	narrowest = 20
)

// width is how many columns a line may take now; the window may have changed
// since the last message. The last column stays free: some terminals start a
// new line as soon as it is filled.
func (l look) width() int {
	w := assumed
	if l.size != nil {
		if now, _, err := l.size(); err == nil && now > 0 {
			w = now
		}
	}
	return min(max(w-1, narrowest), readable)
}

// style puts an escape sequence around a text where color may be used.
func (l look) style(sequence, text string) string {
	if !l.colored || text == "" {
		return text
	}
	return sequence + text + normal
}

// A page is a message ready to be drawn.
type page struct {
	text     string
	question string // the line of the text that asks; empty where nothing is asked
	picture  string // what the picture shows, in words; empty where there is none
	choices  []string
	card     bool
	headline string // of the card
}

// draw sets a page in lines, each ended by a line feed.
func (l look) draw(p page) string {
	var blocks []string
	width := l.width()
	switch {
	case p.card && l.framed:
		blocks = append(blocks, l.frame(p, width))
	case p.card:
		blocks = append(blocks, p.headline, paragraph(p.text, width), p.headline)
	default:
		blocks = append(blocks, l.lines(p, width))
	}
	if p.picture != "" {
		blocks = append(blocks, paragraph(p.picture, width))
	}
	if len(p.choices) > 0 {
		blocks = append(blocks, l.list(p.choices, width))
	}
	return strings.Join(blocks, "\n\n") + "\n"
}

// lines sets the text, and the question in bold.
func (l look) lines(p page, width int) string {
	var out []string
	for line := range strings.SplitSeq(p.text, "\n") {
		for _, part := range wrap(line, width) {
			if line == p.question {
				part = l.style(bold, part)
			}
			out = append(out, part)
		}
	}
	return strings.Join(out, "\n")
}

func paragraph(text string, width int) string { return strings.Join(wrap(text, width), "\n") }

// frame draws the emergency card. It is made of plain ASCII: box characters
// are one column wide in one terminal and two in the next.
func (l look) frame(p page, width int) string {
	const side = "##"
	inner := width - 2*len(side) - 2
	edge := l.style(boldRed, strings.Repeat("#", width))
	lines := []string{edge}
	add := func(sequence, text string) {
		rest := strings.Repeat(" ", max(inner-columns(text), 0))
		lines = append(lines, l.style(boldRed, side)+" "+l.style(sequence, text)+rest+" "+l.style(boldRed, side))
	}
	add("", "")
	for _, text := range wrap(p.headline, inner) {
		add(reversed, text)
	}
	add("", "")
	for _, text := range wrap(p.text, inner) {
		add(bold, text)
	}
	add("", "")
	return strings.Join(append(lines, edge), "\n")
}

// list numbers the choices. In a window they stand in columns; elsewhere each
// is a sentence of its own that begins with its number.
func (l look) list(choices []string, width int) string {
	var out []string
	digits := len(fmt.Sprint(len(choices)))
	for i, c := range choices {
		if !l.framed {
			out = append(out, wrap(fmt.Sprintf("%d. %s", i+1, c), width)...)
			continue
		}
		number := fmt.Sprintf("  %*d  ", digits, i+1)
		for j, line := range wrap(c, width-len(number)) {
			if j == 0 {
				out = append(out, l.style(bold, number)+line)
			} else {
				out = append(out, strings.Repeat(" ", len(number))+line)
			}
		}
	}
	return strings.Join(out, "\n")
}

// wiped takes what was said before out of sight: for whoever looks on, nothing
// of it may stay. Nothing is drawn again over it.
func (l look) wiped() string {
	switch {
	case l.size == nil:
		return ""
	case l.colored:
		return "\x1b[H\x1b[2J\x1b[3J" // ECMA-48: home, erase the page; xterm: and what was scrolled away
	}
	_, height, err := l.size()
	if err != nil || height <= 0 {
		height = 2 * assumed // more than any usual window has
	}
	return strings.Repeat("\n", height)
}
