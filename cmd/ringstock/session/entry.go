package session

import "ringstock/grading"

// Entry is one cell of the table, for a blank that need not be the one being tapped.
type Entry struct {
	Blank string
	Cell  grading.Cell
}

// Entered tells that an entry is on the disk.
type Entered struct {
	Entry
	Judged *grading.Blank // the blank with it, if its taps are known to the session
}

func (s *Session) enter(e Entry) error {
	if err := s.change(func(a *grading.Amended) { a.Put(e.Blank, e.Cell) }); err != nil {
		return err
	}
	told := Entered{Entry: e}
	if len(s.tap[e.Blank]) > 0 {
		b := s.judge(e.Blank)
		told.Judged = &b
	}
	s.tell(told)
	return nil
}
