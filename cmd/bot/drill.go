package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"turnstone/care"
	"turnstone/drill"
	"turnstone/store/redis"
)

// drillFlags are the settings of one drill.
type drillFlags struct {
	drill.Settings
	place place
	json  bool
	rush  int
}

func parseDrill(args []string, w world) (*drillFlags, error) {
	f := &drillFlags{}
	set := flag.NewFlagSet("bot drill", flag.ContinueOnError)
	set.SetOutput(w.err)
	f.place.flags(set, "folder of the store, one that holds no people (default: a temporary one)")
	f.place.serverFlag(set)
	set.IntVar(&f.People, "people", 20, "how many people come")
	set.DurationVar(&f.Each, "each", 250*time.Millisecond, "time between two that come")
	set.DurationVar(&f.Think, "think", 500*time.Millisecond, "time between reading and answering")
	set.Float64Var(&f.Emergencies, "emergencies", 0.1, "share of people who write of an emergency in some turn, from 0 to 1")
	set.Uint64Var(&f.Seed, "seed", 1, "the same seed makes the same people")
	set.DurationVar(&f.Wait, "wait", time.Minute, "how long after the last fault an answer may take before it counts as lost")
	set.DurationVar(&f.Lag, "lag", 0, "how long the platform takes for each call, such as 150ms for one far away")
	set.IntVar(&f.Processes, "processes", 1, "how many processes run; more than one needs --redis")
	set.DurationVar(&f.Kill, "kill", 0, "kill one process this often, such as 10s, and start it again")
	set.DurationVar(&f.Freeze, "freeze", 0, "freeze one process this often, for 6 seconds")
	set.DurationVar(&f.Cut, "cut", 0, "cut all connections to the Redis server this often")
	set.IntVar(&f.rush, "rush", 0, "instead: so many checks fall due in one minute (1000 take two minutes, 20000 twenty)")
	set.BoolVar(&f.json, "json", false, "the result as JSON")
	if err := set.Parse(args); err != nil {
		return nil, errUsage
	}
	var errs []error
	if set.NArg() > 0 {
		errs = append(errs, fmt.Errorf("%q is not understood; flags begin with --", set.Arg(0)))
	}
	if f.People < 1 || f.Processes < 1 {
		errs = append(errs, errors.New("--people and --processes are at least 1"))
	}
	if f.rush < 0 {
		errs = append(errs, fmt.Errorf("--rush %d is no number of checks", f.rush))
	}
	if f.rush > 0 && f.Kill+f.Freeze+f.Cut > 0 {
		errs = append(errs, errors.New("--rush measures a program that is well; leave --kill, --freeze and --cut out"))
	}
	if f.Emergencies < 0 || f.Emergencies > 1 {
		errs = append(errs, fmt.Errorf("--emergencies %v is no share; write 0.1 for one in ten", f.Emergencies))
	}
	for name, d := range map[string]time.Duration{"each": f.Each, "think": f.Think, "wait": f.Wait, "lag": f.Lag, "kill": f.Kill, "freeze": f.Freeze, "cut": f.Cut} {
		if d < 0 {
			errs = append(errs, fmt.Errorf("--%s %v is in the past; write it as 5s", name, d))
		}
	}
	if f.place.redis == "" && f.Processes > 1 {
		errs = append(errs, errors.New("a folder has one process; --processes needs --redis"))
	}
	if f.place.redis == "" && f.Cut > 0 {
		errs = append(errs, errors.New("--cut cuts the connections to a Redis server; name one with --redis"))
	}
	if f.place.redis != "" {
		if a, err := redis.ParseAddress(f.place.redis); err != nil {
			errs = append(errs, err)
		} else if f.Cut > 0 && (a.Kind != redis.Alone || a.TLS) {
			errs = append(errs, errors.New("--cut works with one server without TLS: redis://USER@HOST:6379"))
		}
	}
	return f, errors.Join(errs...)
}

// drillPeople plays invented people over this very program.
func drillPeople(ctx context.Context, args []string, w world) (err error) {
	f, err := parseDrill(args, w)
	if err != nil {
		return err
	}
	if f.Program, err = os.Executable(); err != nil {
		return fmt.Errorf("the path of this program: %w", err)
	}
	if f.Folder, err = os.MkdirTemp("", "turnstone-drill-"); err != nil {
		return err
	}
	defer func() {
		if err != nil { // the logs say more
			fmt.Fprintf(w.err, "drill: the logs of the processes are in %s\n", f.Folder)
			return
		}
		err = os.RemoveAll(f.Folder)
	}()
	f.Progress = w.err
	done, err := f.serve()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, done()) }()
	r, err := f.run(ctx, w)
	if r == nil {
		return err
	}
	if f.json {
		out := json.NewEncoder(w.out)
		out.SetIndent("", "  ")
		return errors.Join(err, out.Encode(r))
	}
	return errors.Join(err, r.Table(w.out))
}

func (f *drillFlags) run(ctx context.Context, w world) (*drill.Result, error) {
	if f.rush == 0 {
		return drill.Run(ctx, f.Settings)
	}
	p, err := load(terms{protocol: "ankle"})
	if err != nil {
		return nil, err
	}
	return drill.RunRush(ctx, f.Settings, f.rush, func(ctx context.Context) (*drill.House, error) {
		s, err := openStorage(ctx, f.place, noBallast, time.Now, logger(w.err))
		if err != nil {
			return nil, err
		}
		return &drill.House{Flow: p.flow, Store: s, Close: s.Close, Person: func(account string) care.PersonID {
			return care.PersonID(s.masters.Name("discord", account))
		}}, nil
	})
}

// serve settles the arguments of the processes. The function that comes back
// ends what stands between them and the store.
func (f *drillFlags) serve() (done func() error, err error) {
	done = func() error { return nil }
	if f.place.dir == "" {
		f.place.dir = filepath.Join(f.Folder, "data")
	}
	f.place.key = f.place.keyPath()
	if f.place.redis == "" {
		f.Serve = func(int) []string { return []string{"--data", f.place.dir, "--key", f.place.key} }
		return done, nil
	}
	server := f.place.redis
	if f.Cut > 0 {
		at, err := url.Parse(server)
		if err != nil {
			return nil, fmt.Errorf("--redis: %w", err)
		}
		if f.Proxy, err = drill.NewProxy(at.Host); err != nil {
			return nil, err
		}
		at.Host, done = f.Proxy.At(), f.Proxy.Close
		server = at.String()
	}
	f.Serve = func(n int) []string { // each machine has a folder of its own beside the server
		return []string{"--redis", server, "--data", fmt.Sprintf("%s-%d", f.place.dir, n), "--key", f.place.key}
	}
	return done, nil
}
