//go:build portaudio && cgo

package main

const liveBuilt = true
