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
// Weinberger et al. 2009), one table for the classes and one for the names of
// the signs.
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

// The sizes of pieces: up to so many words in a row, and so many bytes within
// a word, which its begin and end count to.
const (
	longestRow  = 3
	least, most = 3, 4
	longestWord = 30
)

// A message of more than wholeTokens words is weighed by parts of windowTokens
// words, each windowStep further on.
const (
	wholeTokens  = 60
	windowTokens = 24
	windowStep   = 8
)

// sureOfDanger is how sure a learned reader must be to raise what no rule has
// seen. Chosen on writers left out. What a rule has found stays as it is:
// making more of it found nothing more.
const (
	sureOfDanger    = 0.85
	sureOverSilence = 0.97 // where a rule's words were there and are denied
)

// Pieces are the hashes of the pieces of a message, as often as they stand in
// it: of its words and rows of words, and of parts of words.
type Pieces struct{ Rows, Parts []uint32 }

// PiecesOf returns the pieces of text: what a learned reader learns from.
func PiecesOf(text string) Pieces {
	var r reading
	r.tokenise(text)
	r.cut(0, len(r.tokens), nil)
	return r.pieces
}

// cut finds the pieces of the tokens from lo to hi; each tells every one.
func (r *reading) cut(lo, hi int, each func(piece []byte)) {
	r.pieces.Rows, r.pieces.Parts = r.pieces.Rows[:0], r.pieces.Parts[:0]
	r.line, r.cuts = append(r.line[:0], '_'), append(r.cuts[:0], 0)
	for _, t := range r.tokens[lo:hi] {
		r.line = append(append(r.line, r.fold[t.lo:t.hi]...), '_')
		r.cuts = append(r.cuts, len(r.line)-1)
	}
	for i := range len(r.cuts) - 1 {
		h, from := uint32(rowSeed), r.cuts[i]
		for n := 1; n <= longestRow && i+n < len(r.cuts); n++ {
			to := r.cuts[i+n] + 1
			h, from = fnv1a(h, r.line[from:to]), to
			r.pieces.Rows = append(r.pieces.Rows, mix(h))
			if each != nil {
				each(r.line[r.cuts[i]:to])
			}
		}
		word := r.line[r.cuts[i] : r.cuts[i+1]+1]
		word = word[:min(len(word), longestWord)]
		for k := range max(0, len(word)-least+1) {
			h := fnv1a(partSeed, word[k:k+least])
			r.pieces.Parts = append(r.pieces.Parts, mix(h))
			if k+most <= len(word) {
				r.pieces.Parts = append(r.pieces.Parts, mix(fnv1a(h, word[k+least:k+most])))
			}
		}
	}
}

// Where the hashes of rows and of parts begin, so that "_a_" is two pieces.
const (
	rowSeed  = 2166136261
	partSeed = 84696351
)

// fnv1a goes on with the hash h over piece.
func fnv1a(h uint32, piece []byte) uint32 {
	for _, c := range piece {
		h = (h ^ uint32(c)) * 16777619
	}
	return h
}

// mix makes the low bits of a hash even.
func mix(h uint32) uint32 {
	h ^= h >> 16
	h *= 0x85ebca6b
	return h ^ h>>13
}

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
}

const columnsOfClass = int(care.AmbulanceNow) + 1

// weigh weighs the message as it was typed, a long one in parts: the part
// that is least calm counts.
func (r *reading) weigh() (worst weighing) {
	l := r.s.learned
	if l == nil || !r.talks() {
		return weighing{sure: [columnsOfClass]float64{1}}
	}
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
	if worst.sure[care.NoClass] < 1-sureOfDanger {
		r.cut(worst.lo, worst.hi, nil)
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
	r.cut(lo, hi, nil)
	r.sums = append(r.sums[:0], l.class.base...)
	l.class.add(r.sums, r.pieces.Rows)
	l.class.add(r.sums, r.pieces.Parts)
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

// balance raises what the learned reader is sure of and no rule has found.
func (r *reading) balance(w weighing) {
	enough := sureOfDanger
	if r.denied {
		enough = sureOverSilence
	}
	if r.best.Sign != "" && !r.best.Doubtful || 1-w.sure[care.NoClass] < enough {
		return
	}
	class := care.Urgent
	if w.sure[care.AmbulanceNow] >= w.sure[care.Urgent] {
		class = care.AmbulanceNow
	}
	r.best = care.Finding{Sign: w.sign[class]}
	if r.explain {
		r.hits = append(r.hits, Hit{Rule: learnedFile, Sign: r.best.Sign, Words: r.heaviest(w, class)})
	}
}

// shownPieces is how many pieces an explanation shows.
const shownPieces = 4

// heaviest returns the words and rows of words that weighed most for class.
func (r *reading) heaviest(w weighing, class care.Class) []string {
	type weighed struct {
		piece string
		by    int
	}
	var all []weighed
	t := &r.s.learned.class
	r.cut(w.lo, w.hi, func(piece []byte) {
		at := int(mix(fnv1a(rowSeed, piece))&t.mask) * t.columns
		by := int(int8(t.rows[at+int(class)])) - int(int8(t.rows[at])) //nolint:gosec // bytes of int8
		all = append(all, weighed{string(piece), by})
	})
	slices.SortStableFunc(all, func(a, b weighed) int { return b.by - a.by })
	var words []string
	for _, p := range all[:min(shownPieces, len(all))] {
		if p.by > 0 {
			words = append(words, spaced(p.piece))
		}
	}
	return words
}
