package main

import (
	"context"
	"errors"
	"testing"

	"turnstone/inspect"
)

// readers are some people who may see sensitive items.
type readers struct {
	people int
	err    error
}

func (r readers) MaySeeSensitive(context.Context) (int, error) { return r.people, r.err }

// Where nobody may see sensitive items, or nobody can tell, a service is not
// ready for people.
func TestHAZ28_SomebodySeesSensitiveItems(t *testing.T) {
	for name, x := range map[string]struct {
		who  sensitiveReaders
		want inspect.State
	}{
		"no staff accounts": {nil, inspect.Wrong},
		"nobody":            {readers{}, inspect.Wrong},
		"it can't be told":  {readers{3, errors.New("the store is down")}, inspect.Wrong},
		"one":               {readers{1, nil}, inspect.Well},
	} {
		r := &inspect.Report{}
		examineSensitive(t.Context(), x.who, r)
		if len(r.Lines) != 1 || r.Lines[0].State != x.want || (r.Err() != nil) != (x.want == inspect.Wrong) || (r.Lines[0].Do != "") != (x.want == inspect.Wrong) {
			t.Errorf("%s: %+v, %v", name, r.Lines, r.Err())
		}
	}
}
