// Command lotpaper keeps the paper of opal lots: the service itself, and the commands that post to it and ask it.
//
// Each subcommand stands in a file of its own and only wires: what has substance lies in the packages under internal.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/lotpaper/lotpaper/cmd/lotpaper/bench"
)

func main() {
	tuneCollector()
	os.Exit(interruptible())
}

// tuneCollector lets garbage grow to three times what lives before it is collected, where GOGC does not say otherwise: a node's live heap is
// small beside its stores' own memory, and at Go's default a seventh of all time goes into collecting it. Without cgo the stores' memory is
// part of that heap, and the default stays.
func tuneCollector() {
	if os.Getenv("GOGC") == "" && cgo {
		debug.SetGCPercent(300)
	}
}

// interruptible runs the command until it ends or is told to: by ctrl-C or SIGTERM once, gently; a second one ends it at once.
func interruptible() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	if status, is := bench.Child(ctx, os.Stdout, os.Stderr); is {
		return status
	}
	return run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
}
