package redis

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/redis/go-redis/v9/maintnotifications"
)

// Time-outs of one sending. What lasts longer is sent again by do, which
// knows what may be: the client's own retries are off everywhere.
const (
	dialTimeout  = time.Second
	replyTimeout = 2 * time.Second
	poolTimeout  = time.Second
	poolSize     = 64
	topology     = 2 * time.Second // how old a picture of a Cluster may be; the client's own is a minute
)

// connect makes a client. It does not speak to the server yet.
func connect(a Address) (redis.UniversalClient, error) {
	tlsConfig, err := tlsOf(a)
	if err != nil {
		return nil, err
	}
	quiet := &maintnotifications.Config{Mode: maintnotifications.ModeDisabled} // of another vendor's service
	switch a.Kind {
	case Sentinels:
		return redis.NewFailoverClient(&redis.FailoverOptions{
			MasterName: a.Master, SentinelAddrs: a.Hosts, SentinelUsername: a.SentinelUser, SentinelPassword: a.SentinelPassword,
			Username: a.User, Password: a.Password, TLSConfig: tlsConfig, ContextTimeoutEnabled: true, MaxRetries: -1,
			DialTimeout: dialTimeout, DialerRetries: 1, ReadTimeout: replyTimeout, WriteTimeout: replyTimeout,
			PoolTimeout: poolTimeout, PoolSize: poolSize, DisableIdentity: true,
		}), nil
	case Cluster:
		return redis.NewClusterClient(&redis.ClusterOptions{
			Addrs: a.Hosts, Username: a.User, Password: a.Password, TLSConfig: tlsConfig, ContextTimeoutEnabled: true,
			MaxRetries: -1, MaxRedirects: -1, ClusterStateReloadInterval: topology,
			DialTimeout: dialTimeout, DialerRetries: 1, ReadTimeout: replyTimeout, WriteTimeout: replyTimeout,
			PoolTimeout: poolTimeout, PoolSize: poolSize, DisableIdentity: true, MaintNotificationsConfig: quiet,
		}), nil
	}
	return redis.NewClient(&redis.Options{
		Addr: a.Hosts[0], Username: a.User, Password: a.Password, TLSConfig: tlsConfig, ContextTimeoutEnabled: true, MaxRetries: -1,
		DialTimeout: dialTimeout, DialerRetries: 1, ReadTimeout: replyTimeout, WriteTimeout: replyTimeout,
		PoolTimeout: poolTimeout, PoolSize: poolSize, DisableIdentity: true, MaintNotificationsConfig: quiet,
	}), nil
}

// tlsOf verifies the server's name, with the certificates of the address or the system's.
func tlsOf(a Address) (*tls.Config, error) {
	if !a.TLS {
		if a.CA != "" {
			return nil, fmt.Errorf("ca-file needs TLS: begin the store's address with rediss")
		}
		return nil, nil
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if a.CA == "" {
		return config, nil
	}
	data, err := os.ReadFile(a.CA)
	if err != nil {
		return nil, fmt.Errorf("the store's certificates to trust: %w", err)
	}
	config.RootCAs = x509.NewCertPool()
	if !config.RootCAs.AppendCertsFromPEM(data) {
		return nil, fmt.Errorf("the file %s holds no certificate to trust", a.CA)
	}
	return config, nil
}
