package protocol

import "testing"

// Every protocol that comes with the program must load without a fault.
func TestEmbeddedProtocolsLoad(t *testing.T) {
	all, err := Embedded()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) == 0 {
		t.Fatal("no protocol is embedded")
	}
}
