package main

import (
	"context"
	"fmt"
	"runtime/debug"
)

// version is what a builder calls a build: -ldflags "-X main.version=1.4.0".
// Without it a build is told by the commit that it was made from.
var version string

// built tells this build from others.
func built() string {
	if version != "" {
		return version
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	return info.Main.Version
}

func tellVersion(_ context.Context, _ []string, w world) error {
	_, err := fmt.Fprintln(w.out, built())
	return err
}
