package safety

import (
	"math"
	"slices"

	"turnstone/care"
)

// A learned reader weighs the pieces of a message with what labelled messages
// have taught it: words, words in a row and parts of words. It sees what no
// rule has a line for, and cannot say why as a rule can; so it has its say
// beside the rules and only where it is sure.
//
// It is multinomial logistic regression on hashed pieces (the hashing trick:
// Weinberger et al. 2009; see Pieces), one table for the classes and one for
// the names of the signs.
type learned struct {
	class, sign table
	corpus      string // hash of the messages that it was made from
}

// A table has a row of weights for each hash of a piece, a weight a column.
type table struct {
	columns int
	mask    uint32
	unit    float32 // what a stored weight of 1 weighs
	base    []float32
	rows    []byte // int8 weights
}

// A message of more than wholeTokens words is weighed by parts of windowTokens
// words, each windowStep further on.
const (
	wholeTokens  = 60
	windowTokens = 24
	windowStep   = 8
)

// How likely danger must be, as the learned reader weighs it. Chosen on lines
// of writers left out that no rule was ever worked on with.
const (
	likely        = 0.30  // it is raised
	likelyShort   = 0.80  // the same of fewWords or less, which tell little: most are answers
	likelyQuieted = 0.60  // it is raised though words of a rule were there and are quieted
	likelyMore    = 0.90  // how likely an ambulance sign must be where a rule has seen an urgent one
	likelyDenied  = 0.985 // the same where they are plainly denied
	keptAmbulance = 0.03  // below it an ambulance sign of a rule is asked about
	keptUrgent    = 0.06  // the same for an urgent one
)

// fewWords is how long a short message is.
const fewWords = 8

// neverAsked are signs that a rule raises however calm the rest is: whoever
// says so plainly is believed.
func neverAsked(s care.Sign) bool { return s == care.AskedForAmbulance || s == care.SelfHarm }

// add adds the weights of the pieces to sums, each kind by the root of its count.
func (t *table) add(sums []float32, pieces []uint32) {
	scale := t.unit / float32(math.Sqrt(float64(max(len(pieces), 1))))
	for _, h := range pieces {
		at := int(h&t.mask) * t.columns
		for i, w := range t.rows[at : at+t.columns] {
			sums[i] += float32(int8(w)) * scale //nolint:gosec // a weight is stored as the byte of an int8
		}
	}
}

// A weighing is what a learned reader says of one message.
type weighing struct {
	sure [columnsOfClass]float64   // of each class, from 0 to 1, together 1
	sign [columnsOfClass]care.Sign // of each class, the one that weighs most
	lo   int                       // the part of the message that was weighed
	hi   int

	silent bool // it has no say: there is none, or the message is too short
}

func (w *weighing) danger() float64 { return 1 - w.sure[care.NoClass] }

// class is the likelier one of danger.
func (w *weighing) class() care.Class {
	if w.sure[care.AmbulanceNow] >= w.sure[care.Urgent] {
		return care.AmbulanceNow
	}
	return care.Urgent
}

const columnsOfClass = int(care.AmbulanceNow) + 1

// weigh weighs the message as it was typed, a long one in parts: the part
// that is least calm counts.
func (r *reading) weigh() (worst weighing) {
	l := r.s.learned
	if l == nil || !r.talks() {
		return weighing{silent: true, sure: [columnsOfClass]float64{1}}
	}
	r.cutWhole()
	window := windowTokens
	if len(r.tokens) <= wholeTokens {
		window = wholeTokens
	}
	for lo := 0; ; lo += windowStep {
		hi := min(lo+window, len(r.tokens))
		if w := l.weigh(r, lo, hi); lo == 0 || w.sure[care.NoClass] < worst.sure[care.NoClass] {
			worst = w
		}
		if hi == len(r.tokens) {
			break
		}
	}
	if worst.danger() >= likely {
		r.cut(worst.lo, worst.hi)
		l.name(r, &worst)
	}
	return worst
}

// fewestWords is how many words a message must have for a learned reader to
// have a say: a number typed to a question is no message.
const fewestWords = 2

// talks reports whether a message has words enough, numbers and signs apart.
func (r *reading) talks() bool {
	n := 0
	for i := range r.tokens {
		if r.tokens[i].number < 0 && !r.tokens[i].sign {
			n++
		}
	}
	return n >= fewestWords
}

// weigh tells how sure l is of each class of the tokens from lo to hi.
func (l *learned) weigh(r *reading, lo, hi int) weighing {
	w := weighing{lo: lo, hi: hi}
	r.cut(lo, hi)
	r.sums = append(r.sums[:0], l.class.base...)
	for _, kind := range r.pieces.Kinds() {
		l.class.add(r.sums, kind)
	}
	total := 0.0
	for i, x := range r.sums {
		w.sure[i] = math.Exp(float64(x))
		total += w.sure[i]
	}
	for i := range w.sure {
		w.sure[i] /= total
	}
	return w
}

// name finds the sign of each class that weighs most, by whole words.
func (l *learned) name(r *reading, w *weighing) {
	r.sums = append(r.sums[:0], l.sign.base...)
	l.sign.add(r.sums, r.pieces.Rows)
	best := [columnsOfClass]float32{}
	for i, x := range r.sums {
		sign := signNames[i]
		if c := sign.Class(); w.sign[c] == "" || x > best[c] {
			w.sign[c], best[c] = sign, x
		}
	}
}

var signNames = care.Signs()

// judgeByWeight weighs what the rules made of a message: it raises what they
// have not seen or hold for less, and makes a doubt of what they have seen
// where it holds the message for calm. It takes no sign away: the person is asked.
func (r *reading) judgeByWeight(w weighing) {
	r.calm = w.sure[care.NoClass]
	firm, class, enough := r.best.Class(), w.class(), likely
	if r.best.Sign == "" {
		switch {
		case r.plainly:
			enough = likelyDenied
		case len(r.tokens) <= fewWords:
			enough = likelyShort
		case r.denied:
			enough = likelyQuieted
		}
	}
	switch {
	case w.silent:
	case w.danger() >= enough && class > firm && r.mayBecome(w):
		r.best = care.Finding{Sign: w.sign[class]}
		if r.explain {
			r.hits = append(r.hits, Hit{Rule: learnedFile, Sign: r.best.Sign, Words: r.heaviest(w, class)})
		}
	case neverAsked(r.best.Sign) || len(r.tokens) > wholeTokens: // a long one was weighed in parts: none tells of the whole
	case firm == care.AmbulanceNow && w.danger() < keptAmbulance, firm == care.Urgent && w.danger() < keptUrgent:
		r.best.Doubtful = true
	}
}

// mayBecome reports whether an urgent sign of a rule may become an ambulance
// sign: where that is very likely, and not one that no labelled message has.
func (r *reading) mayBecome(w weighing) bool {
	if r.best.Class() != care.Urgent {
		return true
	}
	return w.sure[care.AmbulanceNow] >= likelyMore && r.best.Sign != care.MedicineReaction
}

// shownPieces is how many pieces an explanation shows.
const shownPieces = 4

// heaviest returns the words, rows of words and concepts that weighed most for class.
func (r *reading) heaviest(w weighing, class care.Class) []string {
	type weighed struct {
		piece string
		by    int
	}
	var all []weighed
	t := &r.s.learned.class
	r.eachPiece(w.lo, w.hi, func(piece uint32, shown string) {
		at := int(piece&t.mask) * t.columns
		by := int(int8(t.rows[at+int(class)])) - int(int8(t.rows[at])) //nolint:gosec // bytes of int8
		all = append(all, weighed{shown, by})
	})
	slices.SortStableFunc(all, func(a, b weighed) int { return b.by - a.by })
	var words []string
	for _, p := range all[:min(shownPieces, len(all))] {
		if p.by > 0 {
			words = append(words, p.piece)
		}
	}
	return words
}
