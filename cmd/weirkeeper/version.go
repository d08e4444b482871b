package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"
)

// version is set by the linker for a release; otherwise the build's own record
// is shown.
var version = ""

func runVersion(_ context.Context, e env, args []string) int {
	if len(args) > 0 {
		return e.usage("version", "version takes no arguments")
	}
	fmt.Fprintf(e.out, "weirkeeper %s %s %s/%s\n", buildVersion(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return exitOK
}

func buildVersion() string {
	if version != "" {
		return version
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(unknown)"
}
