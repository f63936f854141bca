package redis

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
)

// An Address says where the server is, who asks, and how many replicas a
// commit must have reached before it is answered.
type Address struct {
	Kind   Kind
	TLS    bool
	Hosts  []string // host:port; of the Sentinels if they guard it
	Master string   // the name that the Sentinels know it by
	User   string
	CA     string // file of the certificates to trust instead of the system's
	Wait   int    // replicas that a commit must have reached; -1: by the kind

	Password         string // never part of String
	SentinelUser     string
	SentinelPassword string
}

// A Kind is how the servers are set up.
type Kind string

// The kinds, as they are written in an address.
const (
	Alone     Kind = "alone"
	Sentinels Kind = "sentinel"
	Cluster   Kind = "cluster"
)

// Forms are the ways to write an address, for help texts.
const Forms = "redis://USER@HOST:6379, redis+sentinel://USER@HOST:26379,HOST:26379/MASTER or redis+cluster://USER@HOST:6379,HOST:6379; " +
	"rediss for TLS; then ?password-file=FILE&ca-file=FILE&wait=1&sentinel-user=USER&sentinel-password-file=FILE"

// ParseAddress reads an address. Every fault is in the error, with what to do.
func ParseAddress(text string) (Address, error) {
	// Taken apart before url.Parse sees it: that would put a password into its error.
	scheme, rest, ok := strings.Cut(text, "://")
	a := Address{Kind: Alone, Wait: -1}
	how, kind, _ := strings.Cut(scheme, "+")
	a.TLS = how == "rediss"
	if kind != "" {
		a.Kind = Kind(kind)
	}
	if !ok || how != "redis" && how != "rediss" || !slices.Contains([]Kind{Alone, Sentinels, Cluster}, a.Kind) || kind == string(Alone) {
		return a, fmt.Errorf("the address of the store must be one of %s", Forms)
	}
	rest, query, _ := strings.Cut(rest, "?")
	where, path, _ := strings.Cut(rest, "/")
	if user, hosts, ok := strings.Cut(where, "@"); ok {
		if where = hosts; strings.Contains(user, ":") || strings.Contains(hosts, "@") {
			return a, errors.New("the address of the store holds a password, which everybody sees who lists the processes: put it into a file and write ?password-file=FILE")
		}
		a.User = user
	}
	errs := []error{a.hosts(where), a.master(path), a.settings(query)}
	return a, errors.Join(errs...)
}

func (a *Address) hosts(where string) error {
	port := map[Kind]string{Alone: "6379", Sentinels: "26379", Cluster: "6379"}[a.Kind]
	for host := range strings.SplitSeq(where, ",") {
		if _, _, err := net.SplitHostPort(host); err != nil {
			host = net.JoinHostPort(strings.Trim(host, "[]"), port)
		}
		if name, number, err := net.SplitHostPort(host); err != nil || name == "" || number == "" {
			return fmt.Errorf("%q is no host and port of a server; write HOST:%s", host, port)
		}
		a.Hosts = append(a.Hosts, host)
	}
	if a.Kind == Alone && len(a.Hosts) > 1 {
		return errors.New("several hosts need to be guarded by Sentinels (redis+sentinel://) or to be a Cluster (redis+cluster://)")
	}
	return nil
}

func (a *Address) master(path string) error {
	switch {
	case a.Kind == Sentinels && path == "":
		return errors.New("the Sentinels know the server by a name: write it after the hosts, as in redis+sentinel://HOST:26379/main")
	case a.Kind == Sentinels:
		a.Master = path
	case path != "" && path != "0":
		return fmt.Errorf("the address ends in /%s; the store uses database 0 of a server of its own", path)
	}
	return nil
}

func (a *Address) settings(query string) error {
	values, err := url.ParseQuery(query)
	if err != nil {
		return errors.New("what follows the ? in the store's address does not read as name=value&name=value")
	}
	var errs []error
	for name, all := range values {
		value := all[len(all)-1]
		switch name {
		case "password-file":
			a.Password, err = secret(value)
		case "sentinel-password-file":
			a.SentinelPassword, err = secret(value)
		case "sentinel-user":
			a.SentinelUser = value
		case "ca-file":
			a.CA = value
		case "wait":
			if a.Wait, err = strconv.Atoi(value); err != nil || a.Wait < 0 {
				err = fmt.Errorf("wait=%s in the store's address is no number of replicas", value)
			}
		default:
			err = fmt.Errorf("the store's address has the unknown setting %q; it must be one of %s", name, Forms)
		}
		errs = append(errs, err)
		err = nil
	}
	return errors.Join(errs...)
}

// secret reads a password from its file, without the line's end.
func secret(file string) (string, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("the store's password file: %w", err)
	}
	password := strings.TrimRight(string(data), "\r\n")
	if password == "" {
		return "", fmt.Errorf("the store's password file %s is empty", file)
	}
	return password, nil
}

// String is the address without secrets.
func (a Address) String() string {
	scheme := "redis"
	if a.TLS {
		scheme = "rediss"
	}
	if a.Kind != Alone {
		scheme += "+" + string(a.Kind)
	}
	text := scheme + "://" + strings.Join(a.Hosts, ",")
	if a.Master != "" {
		text += "/" + a.Master
	}
	return text
}
