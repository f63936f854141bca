package safety

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"turnstone/care"
)

// learnedFile holds the weights of the learned reader, beside the language
// folders. It is made from labelled messages and not by hand: correct the
// messages.
const learnedFile = "learned.bin"

// Weights are what a learned reader has learned, as they are stored: one line
// of JSON, then the rows of the class table and of the sign table.
type Weights struct {
	Version int       `json:"version"`
	Corpus  string    `json:"corpus"` // SHA-256 of the messages that it was made from
	Rows    string    `json:"rows"`   // SHA-256 of what follows this line
	Class   TableHead `json:"class"`
	Sign    TableHead `json:"sign"`

	ClassRows, SignRows []byte `json:"-"` // int8, Columns a row
}

// A TableHead tells of a table without its rows.
type TableHead struct {
	Columns []string  `json:"columns"` // classes or signs, in order
	Bits    int       `json:"bits"`    // 2 to the power of Bits rows
	Unit    float32   `json:"unit"`    // what a stored 1 weighs
	Base    []float32 `json:"base"`    // of each column, before any piece
}

// ClassColumns and SignColumns are the columns that a learned reader has.
func ClassColumns() []string {
	return []string{care.NoClass.String(), care.Urgent.String(), care.AmbulanceNow.String()}
}

// SignColumns are the names of the signs.
func SignColumns() []string {
	var all []string
	for _, s := range care.Signs() {
		all = append(all, string(s))
	}
	return all
}

// weightsVersion changes when pieces are cut or weighed another way.
const weightsVersion = 2

// Bytes are the weights as a file.
func (w *Weights) Bytes() ([]byte, error) {
	w.Version = weightsVersion
	w.Rows = sum(w.ClassRows, w.SignRows)
	head, err := json.Marshal(w)
	return bytes.Join([][]byte{append(head, '\n'), w.ClassRows, w.SignRows}, nil), err
}

func sum(parts ...[]byte) string {
	s := sha256.Sum256(bytes.Join(parts, nil))
	return hex.EncodeToString(s[:])
}

// loadLearned reads the learned reader of fsys, or nil where it has none:
// languages of one's own may have rules alone.
func loadLearned(fsys fs.FS) (*learned, error) {
	data, err := fs.ReadFile(fsys, learnedFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil //nolint:nilnil // without one, rules read alone
	}
	if err != nil {
		return nil, err
	}
	l, err := parseLearned(data)
	if err != nil {
		return nil, fmt.Errorf("%s:1: %w; make it anew with: make learned", learnedFile, err)
	}
	return l, nil
}

func parseLearned(data []byte) (*learned, error) {
	head, rows, _ := bytes.Cut(data, []byte{'\n'})
	var w Weights
	if err := json.Unmarshal(head, &w); err != nil {
		return nil, fmt.Errorf("its first line is no head: %w", err)
	}
	if w.Version != weightsVersion {
		return nil, fmt.Errorf("it is of version %d, this program reads version %d", w.Version, weightsVersion)
	}
	class, rows, err := w.Class.table(ClassColumns(), rows)
	if err != nil {
		return nil, fmt.Errorf("classes: %w", err)
	}
	sign, rows, err := w.Sign.table(SignColumns(), rows)
	if err != nil {
		return nil, fmt.Errorf("signs: %w", err)
	}
	if len(rows) > 0 || w.Rows != sum(class.rows, sign.rows) {
		return nil, errors.New("what follows its first line is not what that line says")
	}
	return &learned{class, sign, w.Corpus}, nil
}

// table takes the rows of a table from the front of data.
func (h *TableHead) table(columns []string, data []byte) (table, []byte, error) {
	t := table{columns: len(columns), unit: h.Unit, base: h.Base}
	if got, want := strings.Join(h.Columns, " "), strings.Join(columns, " "); got != want {
		return t, nil, fmt.Errorf("its columns are %q, want %q", got, want)
	}
	if h.Bits < 1 || h.Bits > 24 || len(h.Base) != len(columns) {
		return t, nil, fmt.Errorf("%d bits and %d base weights make no table of %d columns", h.Bits, len(h.Base), len(columns))
	}
	n := len(columns) << h.Bits
	if len(data) < n {
		return t, nil, fmt.Errorf("%d bytes are no table of %d", len(data), n)
	}
	t.mask = 1<<h.Bits - 1
	t.rows = data[:n]
	return t, data[n:], nil
}
