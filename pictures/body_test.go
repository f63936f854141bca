package pictures

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The drawings against the body, as numbers. The published criteria (Stiell
// 1993): the back edge of the lowest 6 cm, or the tip, of the outer and of the
// inner ankle bone; the base of the fifth metatarsal; the navicular. Where a
// figure comes from memory or common practice, it says so beside it.

type point struct{ x, y float64 }

var number = regexp.MustCompile(`-?[0-9.]+`)

// points are the pairs of a path, control points too: what the path lies within.
func points(t *testing.T, n *node) []point {
	t.Helper()
	d := n.attr("d")
	if strings.ContainsAny(d, "abcdefghijklmnopqrstuvwxyzHVAQST") {
		t.Fatalf("%s: write the path with M, L, C and Z alone", n.attr("id"))
	}
	all := number.FindAllString(d, -1)
	if len(all)%2 != 0 || len(all) < 4 {
		t.Fatalf("%s: %d numbers make no pairs", n.attr("id"), len(all))
	}
	var list []point
	for i := 0; i < len(all); i += 2 {
		x, errX := strconv.ParseFloat(all[i], 64)
		y, errY := strconv.ParseFloat(all[i+1], 64)
		if errX != nil || errY != nil {
			t.Fatal(errX, errY)
		}
		list = append(list, point{x, y})
	}
	return list
}

type box struct{ left, right, top, bottom float64 }

func bounds(list []point) box {
	b := box{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}
	for _, p := range list {
		b = box{min(b.left, p.x), max(b.right, p.x), min(b.top, p.y), max(b.bottom, p.y)}
	}
	return b
}

func between(t *testing.T, what string, got, low, high float64) {
	t.Helper()
	if got < low || got > high {
		t.Errorf("%s: got %.2f, want %v to %v", what, got, low, high)
	}
}

func centre(t *testing.T, d *node, id string) point {
	t.Helper()
	n := d.byID(t, id)
	return point{n.num(t, "cx"), n.num(t, "cy")}
}

const perCM = 20 // pixels, in the close drawings of the foot

func TestTheDrawnFootIsThatOfAnAdult(t *testing.T) {
	for name, id := range map[string]string{"lateral-malleolus": "foot-outside", "medial-malleolus": "foot-inside"} {
		b := bounds(points(t, open(t, name).byID(t, id)))
		between(t, name+": foot length in cm (from memory)", (b.right-b.left)/perCM, 22, 30)
	}
}

func TestTheBackEdgeIsPressedOverSixCentimetres(t *testing.T) { // Stiell 1993
	for name, bone := range map[string]string{"lateral-malleolus": "fibula", "medial-malleolus": "tibia-inside"} {
		d := open(t, name)
		tip := bounds(points(t, d.byID(t, bone))).bottom
		edge := bounds(points(t, d.byID(t, "edge")))
		ruler := bounds(points(t, d.byID(t, "ruler")))
		between(t, name+": cm from the tip to the top of the mark", (tip-edge.top)/perCM, 5.95, 6.05)
		between(t, name+": cm on the ruler", (ruler.bottom-ruler.top)/perCM, 5.99, 6.01)
		between(t, name+": cm from the foot of the ruler to the tip", math.Abs(ruler.bottom-tip)/perCM, 0, 0.05)
		press := centre(t, d, "press")
		between(t, name+": cm from the ring to the tip", math.Abs(press.y-tip)/perCM, 0, 0.1)

		// The heel lies on the left of the outer view and on the right of the
		// inner one; the mark is on the half of the bone nearer to the heel.
		back := edge.left < press.x && edge.right < press.x
		if bone == "tibia-inside" {
			back = edge.left > press.x && edge.right > press.x
		}
		if !back {
			t.Errorf("%s: the mark from %v to %v is not behind the tip at %v", name, edge.left, edge.right, press.x)
		}
	}
}

func TestTheOuterKnobIsLowerAndFurtherBack(t *testing.T) { // anatomy, from memory
	outer, inner := open(t, "lateral-malleolus"), open(t, "medial-malleolus")
	a, b := centre(t, outer, "press"), centre(t, inner, "press")
	heelA := bounds(points(t, outer.byID(t, "foot-outside"))).left
	heelB := bounds(points(t, inner.byID(t, "foot-inside"))).right
	between(t, "the inner tip is higher, in cm", (a.y-b.y)/perCM, 0.5, 2)
	between(t, "the inner tip is further forward, in cm", ((heelB-b.x)-(a.x-heelA))/perCM, 0.5, 2)
}

func TestTheFifthMetatarsalIsPressedHalfWay(t *testing.T) { // "about half-way along the outer edge", as the question says
	d := open(t, "fifth-metatarsal")
	foot := bounds(points(t, d.byID(t, "foot-outside")))
	press := centre(t, d, "press")
	half := points(t, d.byID(t, "half"))
	b := bounds(half)
	between(t, "the ruler begins at the heel", math.Abs(b.left-foot.left)/perCM, 0, 0.3)
	between(t, "along the outer edge, heel to small toe", (press.x-b.left)/(b.right-b.left), 0.45, 0.55)
	between(t, "along the whole foot (common practice, no source)", (press.x-foot.left)/(foot.right-foot.left), 0.38, 0.5)
	base := bounds(points(t, d.byID(t, "fifth")))
	between(t, "cm from the bone's back end to the ring", (press.x-base.left)/perCM, -0.2, 0.4)
}

func TestTheNavicularIsBelowAndInFrontOfTheInnerKnob(t *testing.T) {
	d := open(t, "navicular")
	knob, press := centre(t, d, "knob"), centre(t, d, "press")
	bone := bounds(points(t, d.byID(t, "navicular")))
	if press.x >= knob.x || press.y <= knob.y { // the toes are on the left
		t.Errorf("got %v, want it below and in front of %v", press, knob)
	}
	between(t, "a thumb's length in cm (from memory: 5 to 7)", math.Hypot(press.x-knob.x, press.y-knob.y)/perCM, 4.5, 7)
	if press.x < bone.left || press.x > bone.right || press.y < bone.top || press.y > bone.bottom {
		t.Errorf("the ring at %v is not on the bone %v", press, bone)
	}
	foot := open(t, "medial-malleolus").byID(t, "foot-inside")
	if foot.attr("d") != d.byID(t, "foot-inside").attr("d") {
		t.Error("the inner foot differs from that of the malleolus")
	}
}

func TestTheOuterBoneIsPressedFromSixCentimetresUp(t *testing.T) {
	const perCM = 12
	d := open(t, "upper-shin")
	bone := bounds(points(t, d.byID(t, "fibula-whole")))
	mark := bounds(points(t, d.byID(t, "press-outer")))
	between(t, "cm from the tip to the foot of the mark", (bone.bottom-mark.bottom)/perCM, 5.9, 6.1)
	between(t, "cm from the head of the bone to the top of the mark", (mark.top-bone.top)/perCM, 0, 2)
	shin := bounds(points(t, d.byID(t, "press-shin")))
	if shin.left <= mark.right {
		t.Error("the mark on the shin is not in front of the one on the outer bone")
	}
}

// Each turn of the wrap covers half to two thirds of the one before.
func TestEachTurnCoversHalfOfTheLast(t *testing.T) {
	d := open(t, "wrap")
	for _, pair := range [][2]string{{"ball-1", "ball-2"}, {"up-1", "up-2"}, {"down-1", "down-2"}, {"leg-1", "leg-2"}, {"leg-2", "leg-3"}} {
		a, b := d.byID(t, pair[0]), d.byID(t, pair[1])
		pa, pb := points(t, a), points(t, b)
		apart := math.Hypot(pa[0].x-pb[0].x, pa[0].y-pb[0].y)
		between(t, pair[1]+" covers", 1-apart/a.num(t, "stroke-width"), 0.5, 0.68)
	}
	toe := bounds(points(t, d.byID(t, "foot-outside"))).right
	ball := bounds(points(t, d.byID(t, "ball-1")))
	between(t, "cm of toes left free", (toe-ball.right-d.byID(t, "ball-1").num(t, "stroke-width")/2)/perCM, 3, 7)
}

func TestTheFootLiesHigherThanTheHeart(t *testing.T) {
	d := open(t, "raise")
	heart := points(t, d.byID(t, "heart-level"))[0].y
	if leg := bounds(points(t, d.byID(t, "raised-leg"))); leg.bottom >= heart {
		t.Errorf("the leg reaches down to %v; the heart is at %v", leg.bottom, heart)
	}
}

func TestCrutchesFit(t *testing.T) {
	d := open(t, "crutch-fit")
	upper, fore := points(t, d.byID(t, "upper-arm")), points(t, d.byID(t, "forearm"))
	turn := func(p []point) float64 { return math.Atan2(p[1].y-p[0].y, p[1].x-p[0].x) }
	bend := math.Abs(turn(upper)-turn(fore)) * 180 / math.Pi
	between(t, "the elbow bends, in degrees (MSD Manual: 20 to 30)", bend, 20, 30)

	grip, wrist := d.byID(t, "grip"), bounds(points(t, d.byID(t, "wrist")))
	top := bounds(points(t, grip)).top - grip.num(t, "stroke-width")/2
	if top < wrist.top-4 || top > wrist.bottom+4 { // Kumar 1995: the crease of the wrist
		t.Errorf("the top of the grip is at %v, the crease of the wrist from %v to %v", top, wrist.top, wrist.bottom)
	}
	fingers := 0
	for _, n := range d.byID(t, "fingers").Nodes {
		if n.attr("fill") != "#ffffff" { // nails
			fingers++
		}
	}
	between(t, "fingers under the armpit (MSD Manual: 2 to 3)", float64(fingers), 2, 3)
}

var moved = regexp.MustCompile(`translate\((-?[0-9.]+) (-?[0-9.]+)\)`)

func standing(t *testing.T, d *node, id string) point {
	t.Helper()
	m := moved.FindStringSubmatch(d.byID(t, id).attr("transform"))
	if m == nil {
		t.Fatalf("%s stands nowhere", id)
	}
	x, errX := strconv.ParseFloat(m[1], 64)
	y, errY := strconv.ParseFloat(m[2], 64)
	if errX != nil || errY != nil {
		t.Fatal(errX, errY)
	}
	return point{x, y}
}

// Step-to: the crutches, the hurt foot between them, the good foot up to it.
func TestTheStepsComeInOrder(t *testing.T) {
	const aFoot = 62 // from heel to toes, in the drawing; the ankle is 16 from the heel
	d := open(t, "crutch-walk")
	for n, want := range []struct{ hurt, good bool }{{false, false}, {true, false}, {true, true}} {
		step := "step-" + strconv.Itoa(n+1)
		tip := points(t, d.byID(t, step+"-tip"))[0].x
		at := func(foot string) bool { // the tip is beside that foot
			ahead := tip - standing(t, d, step+foot).x
			return ahead > -16 && ahead < aFoot-16
		}
		if hurt, good := at("-hurt-foot"), at("-good-foot"); hurt != want.hurt || good != want.good {
			t.Errorf("%s: hurt foot at the crutches %v, good foot %v; want %v, %v", step, hurt, good, want.hurt, want.good)
		}
	}
}

func TestOnStairsTheGoodLegIsTheHigherOne(t *testing.T) { // "up with the good, down with the bad"
	d := open(t, "crutch-stairs")
	for _, way := range []string{"up", "down"} {
		good, hurt := standing(t, d, way+"-good-foot"), standing(t, d, way+"-hurt-foot")
		if good.y >= hurt.y {
			t.Errorf("%s: the good foot is at %v, the hurt one at %v; the good one is the higher", way, good, hurt)
		}
		if goodFirst := good.x > hurt.x; goodFirst != (way == "up") {
			t.Errorf("%s: the good foot is at %v, the hurt one at %v", way, good, hurt)
		}
	}
}
