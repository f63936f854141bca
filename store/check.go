package store

import (
	"errors"
	"fmt"
)

// Check returns every rule that w breaks, each wrapping ErrInvalid, or nil.
// A store calls it first, so that a bad write is refused whole and everywhere
// in the same way.
func (w Write) Check() error {
	faults := []error{CheckPerson(w.Person)}
	say := func(broken bool, format string, args ...any) {
		if broken {
			faults = append(faults, fmt.Errorf("%w: "+format, append([]any{ErrInvalid}, args...)...))
		}
	}
	say(w.Next.Version() != w.Read.Version()+1 || w.Next.Version() == 0,
		"the next version is %d where %d was read: make it with Read.Next", w.Next.Version(), w.Read.Version())
	say(w.Now.IsZero(), "Now is not set")
	say(len(w.Bytes) > MaxBytes, "the record has %d bytes, at most %d are allowed", len(w.Bytes), MaxBytes)
	for lane, lease := range w.Lease {
		say(lease < 0, "the %v lease is %v", Lane(lane), lease)
	}
	say(len(w.Log) > MaxLog, "%d log lines in one write, at most %d are allowed", len(w.Log), MaxLog)
	for i, line := range w.Log {
		say(len(line) > MaxBytes, "log line %d has %d bytes, at most %d are allowed", i, len(line), MaxBytes)
	}
	// An encoder that failed and was not asked must not erase somebody.
	say(w.Bytes == nil && (len(w.Log) > 0 || len(w.Keep) > 0 || !w.Due[Urgent].IsZero() || !w.Due[Routine].IsZero()),
		"a write that erases (its Bytes are nil) sets nothing due, logs nothing and keeps nothing")
	for _, k := range w.Keep {
		faults = append(faults, k.check())
	}
	for _, n := range w.Named {
		faults = append(faults, CheckNamed(n))
	}
	return errors.Join(faults...)
}

// Check returns ErrInvalid with the reason if w is nobody who can be restored.
func (w Whole) Check() error {
	faults := []error{CheckPerson(w.Person)}
	if w.Record.Etag == (Etag{}) || w.Record.Bytes == nil {
		faults = append(faults, fmt.Errorf("%w: there is nobody to restore: the record has no etag or no bytes", ErrInvalid))
	}
	for _, k := range w.Kept {
		faults = append(faults, k.check())
	}
	return errors.Join(faults...)
}

// CheckPerson returns ErrInvalid with the reason if person cannot be a pseudonym.
func CheckPerson(person string) error {
	if person == "" || len(person) > MaxPerson {
		return fmt.Errorf("%w: a person's pseudonym has 1 to %d bytes, not %d", ErrInvalid, MaxPerson, len(person))
	}
	return nil
}

// CheckNamed returns ErrInvalid with the reason if n cannot be written.
func CheckNamed(n NamedWrite) error {
	switch {
	case n.Key == "" || len(n.Key) > MaxKey:
		return fmt.Errorf("%w: a named value's key has 1 to %d bytes, not %d", ErrInvalid, MaxKey, len(n.Key))
	case len(n.Bytes) > MaxBytes:
		return fmt.Errorf("%w: the named value %q has %d bytes, at most %d are allowed", ErrInvalid, n.Key, len(n.Bytes), MaxBytes)
	}
	return nil
}

func (k Kept) check() error {
	switch {
	case k.ID == "" || len(k.ID) > MaxPerson:
		return fmt.Errorf("%w: a kept episode's ID has 1 to %d bytes, not %d", ErrInvalid, MaxPerson, len(k.ID))
	case k.Until.IsZero():
		return fmt.Errorf("%w: the kept episode %q has no day on which it must go", ErrInvalid, k.ID)
	case len(k.Bytes) > MaxBytes:
		return fmt.Errorf("%w: the kept episode %q has %d bytes, at most %d are allowed", ErrInvalid, k.ID, len(k.Bytes), MaxBytes)
	}
	return nil
}
