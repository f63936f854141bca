// Command learn makes locales/learned.bin: what the learned reader of the
// danger screen knows, from the labelled messages in tests/corpus that may be
// worked on. It is multinomial logistic regression by adaptive gradient steps
// (Duchi, Hazan and Singer 2011) on hashed pieces of text. The same messages
// give the same file.
//
//	go run ./tests/corpus/learn            writes the file
//	go run ./tests/corpus/learn -apart t1  leaves out lines whose ID begins so, and measures on them
package main

import (
	"flag"
	"log"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"

	"turnstone/safety"
	"turnstone/tests/corpus"
)

// How it learns. Chosen by leaving out one writer after the other.
const (
	rounds    = 12
	rate      = 0.2
	shrink    = 2e-6 // of a weight a step: what is rarely seen stays small
	joined    = 8000 // pairs of messages read as one, as people add one thing to another
	classBits = 19
	signBits  = 15
)

// A message is one labelled line as pieces.
type message struct {
	corpus.Line
	class, sign int // columns; sign -1 where there is none
	pieces      [5][]uint32
}

func main() {
	apart := flag.String("apart", "", "begin of the IDs to leave out and to measure on")
	flag.Parse()
	lines, err := corpus.Learning()
	if err != nil {
		log.Fatal(err)
	}
	var all, rest []message
	for _, l := range lines {
		m := message{Line: l, class: slices.Index(safety.ClassColumns(), l.Expected), sign: slices.Index(safety.SignColumns(), l.Category)}
		if m.class < 0 || m.class > 0 && m.sign < 0 {
			log.Fatalf("%s: %q, %q is no class and sign", l.ID, l.Expected, l.Category)
		}
		if *apart != "" && strings.HasPrefix(l.ID, *apart) {
			rest = append(rest, m)
			continue
		}
		all = append(all, m)
	}
	rules, err := screen(nil)
	if err != nil {
		log.Fatal(err)
	}
	weights := learn(rules, all)
	weights.Corpus = corpus.Sum(lines)
	data, err := weights.Bytes()
	if err != nil {
		log.Fatal(err)
	}
	if *apart != "" {
		err = measure(rules, data, rest)
	} else {
		err = os.WriteFile("locales/learned.bin", data, 0o644) //nolint:gosec // part of the source
	}
	if err != nil {
		log.Fatal(err)
	}
}

// learn makes both tables: the class of all messages, and the sign of those
// that have one, by rows of words alone.
func learn(rules *safety.Screen, all []message) *safety.Weights {
	r := rand.New(rand.NewPCG(1, 2))
	all = append(all, pairs(all, r)...)
	var danger []message
	for i := range all {
		p := rules.PiecesOf(all[i].Text, all[i].Locale)
		if !all[i].Fresh {
			p.Rules = nil // the rules know the line: what they say of it is better than what they are
		}
		all[i].pieces = p.Kinds()
		if all[i].class > 0 {
			danger = append(danger, all[i])
		}
	}
	w := &safety.Weights{}
	w.Class, w.ClassRows = table(all, r, safety.ClassColumns(), classBits, func(m *message) (int, [][]uint32) { return m.class, m.pieces[:] })
	w.Sign, w.SignRows = table(danger, r, safety.SignColumns(), signBits, func(m *message) (int, [][]uint32) { return m.sign, m.pieces[:1] })
	return w
}

// pairs joins messages at random: two calm ones are calm, a calm and a
// dangerous one are dangerous. What takes back the rest of a message is left out.
func pairs(all []message, r *rand.Rand) []message {
	var made []message
	for range joined {
		a, b := all[r.IntN(len(all))], all[r.IntN(len(all))]
		if a.Locale != b.Locale || a.class > 0 && b.class > 0 || alone(a) || alone(b) {
			continue
		}
		m := a
		if b.class > 0 {
			m = b
		}
		m.Text = a.Text + between[r.IntN(len(between))] + b.Text
		m.Fresh = a.Fresh && b.Fresh
		made = append(made, m)
	}
	return made
}

// between is what stands between two joined messages.
var between = []string{" ", ", ", ". "}

func alone(m message) bool {
	return m.class == 0 && (strings.HasPrefix(m.Category, "corrected") || strings.HasPrefix(m.Category, "abuse"))
}

// table learns one table and returns it as it is stored.
func table(all []message, r *rand.Rand, columns []string, bits int, of func(*message) (column int, pieces [][]uint32)) (safety.TableHead, []byte) {
	n := len(columns)
	w := make([]float32, n<<bits)
	past := make([]float32, len(w)) // squares of the steps so far
	base, basePast := make([]float32, n), make([]float32, n)
	slope := make([]float32, n)
	mask := uint32(1)<<bits - 1
	step := func(w, past []float32, x float32) {
		for c := range w {
			d := slope[c]*x + shrink*w[c]
			past[c] += d * d
			w[c] -= rate * d / (float32(math.Sqrt(float64(past[c]))) + 1e-6)
		}
	}
	for range rounds {
		for _, i := range r.Perm(len(all)) {
			column, kinds := of(&all[i])
			copy(slope, base)
			for _, pieces := range kinds {
				x := float32(1 / math.Sqrt(float64(max(len(pieces), 1))))
				for _, h := range pieces {
					at := int(h&mask) * n
					for c, v := range w[at : at+n] {
						slope[c] += v * x
					}
				}
			}
			softmax(slope)
			slope[column]--
			for _, pieces := range kinds {
				x := float32(1 / math.Sqrt(float64(max(len(pieces), 1))))
				for _, h := range pieces {
					at := int(h&mask) * n
					step(w[at:at+n], past[at:at+n], x)
				}
			}
			step(base, basePast, 1)
		}
	}
	unit, rows := small(w)
	return safety.TableHead{Columns: columns, Bits: bits, Unit: unit, Base: base}, rows
}

func softmax(x []float32) {
	top, total := slices.Max(x), float32(0)
	for i := range x {
		x[i] = float32(math.Exp(float64(x[i] - top)))
		total += x[i]
	}
	for i := range x {
		x[i] /= total
	}
}

// small stores each weight in one byte.
func small(w []float32) (unit float32, rows []byte) {
	largest := float32(0)
	for _, x := range w {
		largest = max(largest, x, -x)
	}
	unit = largest / math.MaxInt8
	rows = make([]byte, len(w))
	for i, x := range w {
		rows[i] = byte(int8(math.Round(float64(x / unit))))
	}
	return unit, rows
}
