package redis

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// A server is what one master says about itself.
type server struct {
	addr        string
	version     string
	eviction    string
	aof         bool
	fsync       string // of the AOF: always, everysec, no; empty if it may not be asked
	snapshots   bool
	replicas    int
	minReplicas int
	apart       time.Duration // the process's clock minus the server's
	warnings    []string
}

// examine looks whether the servers can keep the promise, refuses them if they
// cannot, and writes down what is promised.
func (s *Store) examine(ctx context.Context) error {
	servers, err := s.masters(ctx)
	if err != nil {
		return err
	}
	var faults []error
	for _, m := range servers {
		faults = append(faults, m.faults()...)
	}
	if s.address.Wait < 0 {
		s.address.Wait = 0
		if s.address.Kind != Alone {
			s.address.Wait = 1
		}
	}
	for _, m := range servers {
		if m.replicas < s.address.Wait {
			faults = append(faults, fmt.Errorf("%s has %d replicas in touch, and a commit is to reach %d (wait=%d): start them, or lower wait and with it the promise", m.addr, m.replicas, s.address.Wait, s.address.Wait))
		}
	}
	if err := errors.Join(faults...); err != nil {
		return err
	}
	if err := s.founded(ctx); err != nil {
		return err
	}
	if err := s.rehearse(ctx); err != nil {
		return err
	}
	s.promise = promise(s.address, servers)
	s.log.Info("the store's promise", "store", s.address.String(), "promise", s.promise)
	for _, m := range servers {
		for _, w := range m.warnings {
			s.log.Warn("the store's server", "server", m.addr, "warning", w)
		}
		if m.apart.Abs() > warnApart {
			s.log.Warn("the clocks of this machine and the store's server differ; set both by the same source", "apart", m.apart.String(), "server", m.addr)
		}
	}
	s.offsets.mu.Lock()
	s.offsets.back = true // a clock may have been set back while nobody looked
	s.offsets.mu.Unlock()
	return s.offsets.setBack(ctx, s)
}

// masters asks every master.
func (s *Store) masters(ctx context.Context) (all []server, err error) {
	ctx, cancel := context.WithTimeout(ctx, s.patient)
	defer cancel()
	cluster, ok := s.client.(*redis.ClusterClient)
	if !ok {
		m, err := s.ask(ctx, s.client.(*redis.Client))
		return []server{m}, err
	}
	var mu sync.Mutex
	err = cluster.ForEachMaster(ctx, func(ctx context.Context, node *redis.Client) error {
		m, err := s.ask(ctx, node)
		mu.Lock()
		defer mu.Unlock()
		all = append(all, m)
		return err
	})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(all, func(a, b server) int { return strings.Compare(a.addr, b.addr) })
	return all, nil
}

func (s *Store) ask(ctx context.Context, node *redis.Client) (server, error) {
	m := server{addr: node.Options().Addr}
	asked := s.clock()
	now, err := node.Time(ctx).Result()
	if err != nil {
		return m, fmt.Errorf("%w: %w; check that the server runs and that the address, the user and the password are right", store.ErrDown, explain(err))
	}
	answered := s.clock()
	m.apart = asked.Add(answered.Sub(asked) / 2).Sub(now).Round(time.Millisecond)
	s.offsets.saw(s, m.addr, now, asked, answered)
	info, err := node.Info(ctx).Result()
	if err != nil {
		return m, explain(err)
	}
	m.read(fields(info))
	m.configured(ctx, node)
	return m, nil
}

// fields takes an INFO reply apart.
func fields(info string) map[string]string {
	all := map[string]string{}
	for line := range strings.Lines(info) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), ":"); ok {
			all[name] = value
		}
	}
	return all
}

func (m *server) read(info map[string]string) {
	m.version, m.eviction = info["redis_version"], info["maxmemory_policy"]
	m.aof = info["aof_enabled"] == "1"
	m.replicas = 0
	for name, value := range info { // slave0:ip=…,port=…,state=online,…
		if strings.HasPrefix(name, "slave") && strings.Contains(value, "state=online") {
			m.replicas++
		}
	}
	if status := info["aof_last_write_status"]; m.aof && status != "ok" {
		m.warnings = append(m.warnings, "its last write to the append-only file failed: look at its disk")
	}
}

// configured asks for what only CONFIG GET tells. Where the user may not ask
// (a hosted server), the promise says so.
func (m *server) configured(ctx context.Context, node *redis.Client) {
	get := func(name string) string {
		values, err := node.ConfigGet(ctx, name).Result()
		if err != nil {
			m.warnings = append(m.warnings, "it does not tell its setting "+name+" (the right +config|get is missing)")
		}
		return values[name]
	}
	m.fsync, m.snapshots = get("appendfsync"), get("save") != ""
	m.minReplicas, _ = strconv.Atoi(get("min-replicas-to-write")) // not told counts as none
}

func (m *server) faults() (faults []error) {
	say := func(broken bool, format string, args ...any) {
		if broken {
			faults = append(faults, fmt.Errorf(m.addr+" "+format, args...))
		}
	}
	major, _, _ := strings.Cut(m.version, ".")
	number, err := strconv.Atoi(major)
	say(err != nil || number < 7, "is version %s, and 7.0 or later is needed", m.version)
	say(m.eviction != "noeviction", "has the maxmemory-policy %s, which throws away people's records when it is full: CONFIG SET maxmemory-policy noeviction", m.eviction)
	say(m.apart.Abs() > refuseApart, "has a clock that differs by %v from this machine's: set both by the same source", m.apart)
	return faults
}

// founded looks at the layout, and founds it on an empty server.
func (s *Store) founded(ctx context.Context) error {
	var found *redis.MapStringStringCmd
	err := s.do(ctx, &call{tag: metaTag, write: true, queue: func(p redis.Pipeliner) {
		p.HSetNX(ctx, metaKey, "format", format)
		p.HSetNX(ctx, metaKey, "partitions", partitions)
		found = p.HGetAll(ctx, metaKey)
	}})
	if err != nil {
		return err
	}
	number, err := strconv.Atoi(found.Val()["format"])
	switch {
	case err != nil || number < 1:
		return fmt.Errorf("%w: the format %q is none", store.ErrDamaged, found.Val()["format"])
	case number > format:
		return fmt.Errorf("%w: its format is %d and this program knows up to %d: use the newer program", store.ErrNewer, number, format)
	case found.Val()["partitions"] != strconv.Itoa(partitions):
		return fmt.Errorf("%w: people are spread over %s partitions and this program looks in %d: use the program that wrote it", store.ErrNewer, found.Val()["partitions"], partitions)
	}
	return nil
}

// promise says in one line what an acknowledged commit survives.
func promise(a Address, servers []server) string {
	weakest := func(rank func(server) int) server {
		return slices.MinFunc(servers, func(x, y server) int { return rank(x) - rank(y) })
	}
	m := weakest(server.durable)
	text := fmt.Sprintf("Redis %s, %s: an acknowledged commit ", m.version, a.Kind)
	switch m.durable() {
	case 3:
		text += "is on the server's disk and survives its kill and a power cut"
	case 2:
		text += "can be lost for about two seconds: to a power cut, and to a kill of the server while its disk is slow"
	case 1:
		text += "is in the server's memory; a kill or a power cut takes all since the last snapshot or flush"
	default:
		text += "is in the server's memory only; a kill or a power cut takes everything"
	}
	switch {
	case a.Wait > 0:
		text += fmt.Sprintf("; %d replica(s) have it, and a fail-over to one of them keeps it", a.Wait)
	case a.Kind != Alone || m.replicas > 0:
		text += "; replicas get it afterwards, and a fail-over can lose the last moments (wait=1 closes that)"
	}
	if a.Kind != Alone && weakest(func(m server) int { return m.minReplicas }).minReplicas == 0 {
		text += "; a master cut off from its replicas goes on taking writes (min-replicas-to-write 1 stops it)"
	}
	return text
}

// durable ranks what a server does with a commit.
func (m server) durable() int {
	switch {
	case m.aof && m.fsync == "always":
		return 3
	case m.aof && m.fsync == "everysec":
		return 2
	case m.aof || m.snapshots:
		return 1
	}
	return 0
}
