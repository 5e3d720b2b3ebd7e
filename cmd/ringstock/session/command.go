package session

import (
	"fmt"
	"strings"

	"ringstock/capture"
	"ringstock/grading"
)

// Command is what the person asks for.
type Command struct {
	Do   Do
	Text string // of SetMeasures, AddNote and GoTo
	Entry
	Taps int // of HandsFree
	// Done, if there is one, is told whether an Entry is on the disk. One that can't be
	// written then does not end the session. It must not block.
	Done chan<- error
}

// Do is a kind of command.
type Do int

// The commands.
const (
	NextBlank   Do = iota // the next number
	DropTap               // take the last good tap back
	Again                 // take all good taps of this side back
	OtherFace             // tap the width face, or the side again
	EndGrain              // tap the end grain, or the side again
	SetMeasures           // "length 745.5 mass 189.2"
	AddNote
	GoTo      // a blank by its number
	Enter     // an Entry
	CountIt   // what was asked about is a blank
	HandsFree // go on after so many good taps; 0: by hand
	Quit
)

// measures are the words for columns of the table.
var measures = map[string]string{
	"length": "length_mm", "height": "height_mm", "width": "width_mm", "mass": "mass_g", "moisture": "moisture_pct",
	"temperature": "temperature_c", "humidity": "humidity_pct", "price": "price",
}

func (s *Session) obey(c Command, l *capture.Listener) {
	var err error
	// What still rings belongs to what was to be tapped until now.
	refused := false
	if c.Do != SetMeasures && c.Do != AddNote && c.Do != Enter && c.Do != CountIt {
		before := len(s.tap[s.blank][s.side])
		refused = l.Finish() && len(s.tap[s.blank][s.side]) == before
	}
	switch c.Do {
	case NextBlank:
		s.choose(s.next())
	case GoTo:
		blank, wrong := grading.ParseBlank(c.Text)
		if wrong != nil {
			s.tell(Notice{wrong.Error()})
			return
		}
		s.choose(blank)
	case DropTap:
		if refused {
			return // that was the tap to be dropped
		}
		err = s.takeBack(1)
	case Again:
		err = s.takeBack(len(s.tap[s.blank][s.side]))
	case OtherFace:
		s.turn(Width)
	case EndGrain:
		s.turn(End)
	case SetMeasures:
		err = s.setMeasures(c.Text)
	case AddNote:
		note := strings.TrimSpace(c.Text)
		if note != "" {
			if old := s.row(s.blank).Note; old != "" {
				note = old + "; " + note
			}
			err = s.change(func(a *grading.Amended) { a.Set(s.blank, "note", note) })
			s.tell(Notice{"noted"})
		}
	case Enter:
		if err = s.enter(c.Entry); c.Done != nil {
			c.Done <- err
			err = nil
		}
	case HandsFree:
		if s.HandsFree = c.Taps > 0; s.HandsFree {
			s.Taps = c.Taps
		}
		if s.HandsFree && len(s.tap[s.blank][s.side]) >= s.Taps {
			s.choose(s.next()) // this one has enough already
		} else {
			s.announceBlank()
		}
	case CountIt:
		s.countAsked()
	case Quit:
		s.over, s.quit = true, true
	}
	if err != nil {
		s.failed = err
	}
}

// takeBack drops the last n good taps of this side.
func (s *Session) takeBack(n int) (err error) {
	had := len(s.tap[s.blank][s.side])
	if had == 0 {
		s.tell(Notice{"there is no tap to drop"})
		return nil
	}
	for i := 0; i < n && err == nil; i++ {
		err = s.drop()
	}
	if had > len(s.tap[s.blank][s.side]) {
		s.tell(TapsDropped{s.judged[s.blank]})
	}
	s.announceBlank()
	return err
}

func (s *Session) turn(to Side) {
	if s.side == to {
		to = Face
	}
	s.side, s.odd, s.asked = to, nil, nil
	s.announceBlank()
}

// setMeasures reads pairs of a word and a number. What can hardly be right is asked back,
// and entered when it is typed once more.
func (s *Session) setMeasures(text string) error {
	cells, err := parseMeasures(text)
	if err != nil {
		s.tell(Notice{err.Error()})
		return nil
	}
	if len(cells) == 0 {
		return nil
	}
	row := s.row(s.blank)
	for _, c := range cells {
		if why := c.Doubt(row); why != "" && text != s.doubted {
			s.doubted = text
			s.tell(Notice{why + " Type it once more to enter it all the same."})
			return nil
		}
	}
	s.doubted = ""
	if err := s.change(func(a *grading.Amended) {
		for _, c := range cells {
			a.Put(s.blank, c)
		}
	}); err != nil {
		return err
	}
	if len(s.tap[s.blank]) > 0 {
		s.judge(s.blank)
	}
	var entered []string
	for _, c := range cells {
		said := c.Column + " " + c.Text
		if c.Note != "" {
			said += " (" + c.Note + ")"
		}
		entered = append(entered, said)
	}
	s.tell(Notice{"entered for blank " + s.blank + ": " + strings.Join(entered, ", ")})
	return nil
}

// parseMeasures takes "length 745.5 mm mass 189,2" apart: each entry is a word, or the
// beginning of one, and what stands behind it.
func parseMeasures(text string) (cells []grading.Cell, err error) {
	const example = "type for example: length 745.5 height 14.1 width 14 mass 189.2"
	column, value := "", []string{}
	enter := func() error {
		if column == "" {
			return nil
		}
		if len(value) == 0 {
			return fmt.Errorf("%s has no value; %s", column, example)
		}
		c, err := grading.ParseCell(column, strings.Join(value, " "))
		if err != nil {
			return fmt.Errorf("%s: %w", column, err)
		}
		cells = append(cells, c)
		return nil
	}
	fields := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '=' || r == ';' })
	for i, field := range fields {
		next := measureColumn(field)
		// In "0.745 m" the letter is a unit, in "745 m 189" the mass.
		unit := len(field) == 1 && len(value) > 0 && (i+1 == len(fields) || !strings.ContainsAny(fields[i+1][:1], "0123456789"))
		if next == "" || unit {
			if column == "" {
				return nil, fmt.Errorf("%q was not understood; %s", text, example)
			}
			value = append(value, field)
			continue
		}
		if err := enter(); err != nil {
			return nil, err
		}
		column, value = next, nil
	}
	return cells, enter()
}

// measureColumn is the column that a word, or the beginning of one, means;
// empty if it is none.
func measureColumn(field string) (column string) {
	for word, c := range measures {
		if strings.HasPrefix(word, strings.ToLower(field)) && (column == "" || c < column) {
			column = c
		}
	}
	return column
}
