package redis

import (
	"context"
	"crypto/sha1"
	"embed"
	"encoding/hex"
	"fmt"

	"github.com/redis/go-redis/v9"
)

//go:embed scripts/*.lua
var scriptFiles embed.FS

// A script runs on one server and one slot, whole or not at all. The client's
// own type is not used: loaded in a pipeline it forgets its name.
type script struct{ text, name string }

var (
	scripts []script // all of them

	commitScript  = readScript("commit")
	claimScript   = readScript("claim")
	releaseScript = readScript("release")
	setbackScript = readScript("setback")
	namedScript   = readScript("named")
	bringScript   = readScript("bring")
	broughtScript = readScript("brought")
	listScript    = readScript("list")
	retireScript  = readScript("retire")
	expireScript  = readScript("expire")
	restoreScript = readScript("restore")
	rewrapScript  = readScript("rewrap")
)

func readScript(file string) script {
	text, err := scriptFiles.ReadFile("scripts/" + file + ".lua")
	if err != nil {
		panic(err) // the file is part of the program
	}
	sum := sha1.Sum(text) // what a server knows a script by
	s := script{string(text), hex.EncodeToString(sum[:])}
	scripts = append(scripts, s)
	return s
}

// loadScripts hands the scripts to one server. A server forgets them when it
// restarts, and a replica that takes over has never had them. There is no
// falling back to EVAL: a least-privilege user has none.
func loadScripts(ctx context.Context, node *redis.Client) error {
	p := node.Pipeline()
	for _, s := range scripts {
		p.ScriptLoad(ctx, s.text)
	}
	if _, err := p.Exec(ctx); err != nil {
		return fmt.Errorf("load the scripts: %w", err)
	}
	return nil
}
