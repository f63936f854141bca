package redis

import (
	"context"
	"embed"
	"fmt"

	"github.com/redis/go-redis/v9"
)

//go:embed scripts/*.lua
var scriptFiles embed.FS

// Each script runs on one server and one slot, whole or not at all.
var (
	commitScript  = script("commit")
	claimScript   = script("claim")
	releaseScript = script("release")
	setbackScript = script("setback")
	namedScript   = script("named")
	bringScript   = script("bring")
	broughtScript = script("brought")
	listScript    = script("list")
	retireScript  = script("retire")
	expireScript  = script("expire")
	restoreScript = script("restore")

	scripts = []*redis.Script{
		commitScript, claimScript, releaseScript, setbackScript, namedScript, bringScript,
		broughtScript, listScript, retireScript, expireScript, restoreScript,
	}
)

func script(name string) *redis.Script {
	text, err := scriptFiles.ReadFile("scripts/" + name + ".lua")
	if err != nil {
		panic(err) // the file is part of the program
	}
	return redis.NewScript(string(text))
}

// loadScripts hands the scripts to one server. A server forgets them when it
// restarts, and a replica that takes over has never had them. There is no
// falling back to EVAL: a least-privilege user has none.
func loadScripts(ctx context.Context, node *redis.Client) error {
	p := node.Pipeline()
	for _, s := range scripts {
		s.Load(ctx, p)
	}
	if _, err := p.Exec(ctx); err != nil {
		return fmt.Errorf("load the scripts: %w", err)
	}
	return nil
}
