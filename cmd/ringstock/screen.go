package main

import (
	"context"

	"ringstock/capture"
	"ringstock/cmd/ringstock/session"
)

func runScreen(ctx context.Context, s *session.Session, src capture.Source) error { return nil }
