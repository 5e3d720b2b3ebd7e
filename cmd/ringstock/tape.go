package main

import (
	"context"
	"os"
	"time"

	"ringstock/capture/wavfile"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
	"ringstock/grading/demo"
)

// tapeBlanks are those on the practice tape.
const tapeBlanks = 10

// writeTape records a session of ten invented blanks, each tapped until it has its five
// good taps, so that playing it to the same session gives the same.
func writeTape(ctx context.Context, path string, profile grading.Profile) error {
	folder, err := os.MkdirTemp("", "ringstock-tape-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	s, err := session.Open(session.Settings{Folder: folder, Blank: "D01", Side: session.Face, Taps: 5, Blanks: tapeBlanks, HandsFree: true, Profile: profile, Now: time.Now})
	if err != nil {
		return err
	}
	tape := demo.NewTape(tapeBlanks)
	if err := s.Run(ctx, tape, nil, func(e session.Event) {
		if _, done := e.(session.BlankDone); done {
			tape.Next()
		}
	}); err != nil {
		return err
	}
	return wavfile.Save(path, tape.Played(), 24)
}
