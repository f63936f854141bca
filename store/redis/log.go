package redis

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/redis/go-redis/v9"
)

// LogTo sends what the client library has to say to log instead of the
// standard error, at most one line of each kind in ten seconds: with a server
// away it has the same to say a hundred times a second. It is for the whole
// process, since the library has one place for it.
func LogTo(log *slog.Logger) {
	redis.SetLogger(&quieter{log: log, said: map[string]time.Time{}})
}

type quieter struct {
	log  *slog.Logger
	mu   sync.Mutex
	said map[string]time.Time
}

const sayEvery = 10 * time.Second

// Printf is what the library calls; the format is the kind.
func (q *quieter) Printf(ctx context.Context, format string, args ...any) {
	q.mu.Lock()
	quiet := time.Since(q.said[format]) < sayEvery
	if !quiet {
		q.said[format] = time.Now()
	}
	q.mu.Unlock()
	if !quiet {
		q.log.WarnContext(ctx, "the store's connection", "says", fmt.Sprintf(format, args...))
	}
}
