// Command lotpaper keeps the paper of opal lots: the service itself, and the commands that post to it and ask it.
//
// Each subcommand stands in a file of its own and only wires: what has substance lies in the packages under internal.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() { os.Exit(interruptible()) }

// interruptible runs the command until it ends or is told to: by ctrl-C or SIGTERM once, gently; a second one ends it at once.
func interruptible() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	return run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
}
