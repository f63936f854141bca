package care

import "fmt"

// A Disposition says where the person should go. Zero means not decided yet.
type Disposition uint8

// The dispositions, the least urgent first, so that max() raises.
const (
	Home      Disposition = iota + 1 // look after it at home, with checks on day 2 and day 3
	Clinician                        // see a clinician within one to three days
	SameDay                          // be seen within 12 hours, somewhere with X-ray
	Emergency                        // go to an emergency department now
	Ambulance                        // call the emergency number now
)

var dispositionNames = [...]string{"", "home", "clinician", "same_day", "emergency", "ambulance"}

// String gives the name used in protocols, logs and the machine-readable form.
func (d Disposition) String() string {
	if int(d) >= len(dispositionNames) {
		return fmt.Sprintf("disposition(%d)", uint8(d))
	}
	return dispositionNames[d]
}

// ParseDisposition reads a name that String wrote.
func ParseDisposition(name string) (Disposition, error) {
	for i, n := range dispositionNames {
		if i > 0 && n == name {
			return Disposition(i), nil
		}
	}
	return 0, fmt.Errorf("no disposition is called %q; it must be home, clinician, same_day, emergency or ambulance", name)
}

// MarshalText writes the name. Zero is not a disposition and can't be written.
func (d Disposition) MarshalText() ([]byte, error) {
	if d == 0 || int(d) >= len(dispositionNames) {
		return nil, fmt.Errorf("disposition %d can't be written: nothing is decided", uint8(d))
	}
	return []byte(d.String()), nil
}

// UnmarshalText reads a name that MarshalText wrote.
func (d *Disposition) UnmarshalText(text []byte) error {
	var err error
	*d, err = ParseDisposition(string(text))
	return err
}
