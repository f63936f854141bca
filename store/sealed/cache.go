package sealed

import (
	"sync"

	"turnstone/seal"
	"turnstone/store"
)

// remembered is how many keys and holders stay in memory.
const remembered = 10_000

// A holder is which key a version of a person's record is sealed with.
type holder struct {
	etag store.Etag
	id   seal.KeyID
}

// A cache saves looking up again what never changes: a key's ID is its own for
// ever, and a version of a record has one key.
type cache struct {
	mu     *sync.Mutex
	keys   map[seal.KeyID]seal.Key
	people map[string]holder
}

func newCache() cache {
	return cache{new(sync.Mutex), map[seal.KeyID]seal.Key{}, map[string]holder{}}
}

func (c cache) key(id seal.KeyID) (seal.Key, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	k, ok := c.keys[id]
	return k, ok
}

func (c cache) putKey(id seal.KeyID, k seal.Key) {
	c.mu.Lock()
	defer c.mu.Unlock()
	shrink(c.keys)
	c.keys[id] = k
}

func (c cache) person(person string) (holder, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	h, ok := c.people[person]
	return h, ok
}

func (c cache) putPerson(person string, h holder) {
	c.mu.Lock()
	defer c.mu.Unlock()
	shrink(c.people)
	c.people[person] = h
}

// drop forgets a key.
func (c cache) drop(id seal.KeyID) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.keys, id)
}

// dropPerson forgets who held what.
func (c cache) dropPerson(person string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.people, person)
}

// shrink makes room for one more. Which one goes does not matter.
func shrink[K comparable, V any](m map[K]V) {
	for k := range m {
		if len(m) < remembered {
			return
		}
		delete(m, k)
	}
}
