package flow

import (
	"math"
	"strconv"

	"turnstone/care"
)

// Crutch lengths, all in centimetres. Both formulas are of Bauer 1991, Phys
// Ther 71:294-300: 0.77 of the height, and the height less 16 inches. They
// agree only near 177 cm, so both are shown where they differ by more than
// 2 cm, and the fit check decides.
const (
	inch         = 2.54 // centimetres, by definition
	showBothOver = 2.0
)

// CrutchByShare is 0.77 of the height.
func CrutchByShare(height float64) float64 { return 0.77 * height }

// CrutchByDifference is the height less 16 inches.
func CrutchByDifference(height float64) float64 { return height - 16*inch }

// GripHeight is the height of the hand grip above the floor, by the wrist
// crease: 0.45 of the height plus 8.7 cm (Kumar 1995, Arch Phys Med Rehabil
// 76:1173-5; the abstract's 0.87 m is a misprint of 0.087 m).
func GripHeight(height float64) float64 { return 0.45*height + 8.7 }

// sizeScreen is the name of the screen that gives the lengths.
func (t *turn) sizeScreen() string { return "crutch_size" }

// crutchSize gives a first setting from the height: one length where the
// formulas agree, both where they do not, in whole centimetres and inches.
func (t *turn) crutchSize(key string) (string, []string) {
	height, err := strconv.ParseFloat(t.view().latest(t.p.Roles.Height), 64)
	if err != nil {
		return key + ".unknown", nil
	}
	a, b := CrutchByShare(height), CrutchByDifference(height)
	grip := []string{"grip_cm", whole(GripHeight(height)), "grip_in", whole(GripHeight(height) / inch)}
	if math.Abs(a-b) <= showBothOver {
		mean := (a + b) / 2
		return key + ".one", append(grip, "cm", whole(mean), "inches", whole(mean/inch))
	}
	low, high := min(a, b), max(a, b)
	return key, append(grip, "a_cm", whole(low), "b_cm", whole(high), "a_in", whole(low/inch), "b_in", whole(high/inch))
}

func whole(x float64) string { return strconv.Itoa(int(math.Round(x))) }

func (t *turn) closeCrutches() error {
	fit := t.round().Facts.Get("crutch_fit")
	if h := t.p.Roles.Height; h == "" || fit == nil {
		return t.rest(t.farewell())
	}
	if fit.Latest() == care.Yes {
		return t.rest("crutch_fit.yes")
	}
	return t.rest("crutch_fit.no")
}
