// Package tomlfile reads the TOML files that people write: profiles, settings,
// models of sticks. It is limited before anything is parsed, so that no file can
// exhaust time or memory.
package tomlfile

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/BurntSushi/toml"
)

const (
	largest = 1 << 18 // bytes; a profile has 2 thousand, the largest model some 20
	deepest = 16      // brackets in brackets; ours have 3
)

// Read reads a file that is not too large to be one.
func Read(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, largest+1))
	if err == nil && len(text) > largest {
		err = fmt.Errorf("%s is larger than %d KB: is it the right file?", path, largest>>10)
	}
	return text, err
}

// Decode parses a text into a struct.
func Decode(text []byte, into any) (toml.MetaData, error) {
	if len(text) > largest {
		return toml.MetaData{}, fmt.Errorf("the text is larger than %d KB: is it the right file?", largest>>10)
	}
	if depth(text) > deepest {
		return toml.MetaData{}, errors.New("brackets are nested too deeply: is it the right file?")
	}
	return toml.Decode(string(text), into)
}

// depth is how deep brackets are nested outside of texts and comments, and dots in a key.
func depth(text []byte) (most int) {
	open, dots := 0, 0
	var quote byte
	for i, c := range text {
		switch {
		case c == '\n':
			quote, dots = 0, 0 // of a text over several lines no more is needed than that it ends
		case quote == '#':
		case quote != 0:
			if c == quote && (quote == '\'' || text[i-1] != '\\') {
				quote = 0
			}
		case c == '"' || c == '\'' || c == '#':
			quote = c
		case c == '[' || c == '{':
			open++
		case c == ']' || c == '}':
			open--
		case c == '.':
			dots++
		case c == '=' || c == ',':
			dots = 0
		}
		most = max(most, open, dots)
	}
	return most
}
