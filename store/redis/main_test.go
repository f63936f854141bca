package redis

import (
	"fmt"
	"os"
	"testing"

	"go.uber.org/goleak"
)

// The client looks once a second whether a server that was gone is back, and
// one such look may outlast it.
func TestMain(m *testing.M) {
	if address := os.Getenv(worker); address != "" {
		if err := work(address); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m, goleak.IgnoreAnyFunction("github.com/redis/go-redis/v9/internal/pool.(*ConnPool).tryDial"))
}

// rounds is how often something is done: many where the long proofs are asked for.
func rounds(few, many int) int {
	if os.Getenv("TURNSTONE_LONG") != "" {
		return many
	}
	return few
}
