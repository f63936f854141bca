package walk_test

import (
	"os"
	"runtime"
	"testing"

	"turnstone/care"
	"turnstone/flow/protocol"
	"turnstone/tests/walk"
)

// Another protocol, with other names, talks and figures, is walked by the same
// rules: neither the dialogue nor the walk is written around the first. Whether
// the key merges only what is alike is held on the ankle's protocol alone: this
// one plans by quarters of an hour, which the key rounds. It asks for no X-ray,
// so that only staff close an emergency: they always may.
func TestAnotherProtocolIsAsSafe(t *testing.T) {
	data, err := os.ReadFile("../../flow/testdata/second.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := protocol.Parse("second.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	w, err := walk.New(p)
	if err != nil {
		t.Fatal(err)
	}
	c := &walk.Contract{Dangers: []care.Fact{"hand_cold", "wrist_bent"}, Single: append(
		walk.On(care.Ambulance, "hand_cold"), append(walk.On(care.Emergency, "wrist_bent"), walk.On(care.SameDay, "snuffbox")...)...,
	)}
	r := w.Walk(walk.Config{Full: true, Asides: true, Backs: 1, Staff: 1, Closes: true, Workers: runtime.GOMAXPROCS(0), Enough: 20, Contract: c})
	t.Log(r)
	for _, v := range r.Violations {
		t.Error(v)
	}
	for _, u := range r.Undeclared {
		t.Error(u)
	}
}
