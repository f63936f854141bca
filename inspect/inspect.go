// Package inspect holds what a look at a running service found: a line for each
// thing that was looked at, and what to do about it.
package inspect

import (
	"fmt"
	"io"
)

// A State is how a thing stands.
type State int

// The states, the best first.
const (
	Well  State = iota // as it should be
	Look               // somebody should look, and may leave it so
	Wrong              // people must not be answered before it is mended
)

func (s State) String() string { return [...]string{"well", "look", "WRONG"}[s] }

// A Line is one thing that was looked at. Do says what to do, unless it is well.
type Line struct {
	State    State
	What, Do string
}

// A Report is all lines, in the order in which they were found.
type Report struct{ Lines []Line }

// Well notes what is as it should be.
func (r *Report) Well(format string, args ...any) {
	r.Lines = append(r.Lines, Line{Well, fmt.Sprintf(format, args...), ""})
}

// Look notes what somebody should look at.
func (r *Report) Look(do, format string, args ...any) {
	r.Lines = append(r.Lines, Line{Look, fmt.Sprintf(format, args...), do})
}

// Wrong notes what must be mended.
func (r *Report) Wrong(do, format string, args ...any) {
	r.Lines = append(r.Lines, Line{Wrong, fmt.Sprintf(format, args...), do})
}

// Write writes the report, a line a thing and what to do below it.
func (r *Report) Write(w io.Writer) error {
	for _, l := range r.Lines {
		text := fmt.Sprintf("%-5s  %s\n", l.State, l.What)
		if l.Do != "" {
			text += fmt.Sprintf("%-5s  -> %s\n", "", l.Do)
		}
		if _, err := io.WriteString(w, text); err != nil {
			return err
		}
	}
	return nil
}

// Err is an error where something is wrong.
func (r *Report) Err() error {
	n := 0
	for _, l := range r.Lines {
		if l.State == Wrong {
			n++
		}
	}
	if n == 0 {
		return nil
	}
	return fmt.Errorf("things that must be mended before people are answered: %d", n)
}
