// Command ringstock gives a bow maker's ear numbers: it hears taps on blanks of wood,
// measures their ring, and grades a delivery.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
)

func main() {
	// Sound is let go soon after it was read. Collecting it less often saves
	// some 3 % of the processor's time and costs some tens of megabytes, however
	// many blanks there are.
	debug.SetGCPercent(400)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	// A second interrupt ends the program at once.
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, newRoot(), os.Args[1:]))
}
