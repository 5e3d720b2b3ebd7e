package stock

import (
	"context"
	"fmt"
	"math"
	"strings"

	"ringstock/grading"
)

// Doubtful says why an act was not entered: what it says can hardly be right.
// Options.Meant enters it all the same.
type Doubtful struct{ Doubts []string }

func (d *Doubtful) Error() string {
	return "asked back, nothing was entered: " + strings.Join(d.Doubts, "; ") + ". If it is right all the same, say so with --yes"
}

// doubtList collects what should be asked back.
type doubtList []string

func (l *doubtList) add(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	for _, have := range *l {
		if have == text {
			return
		}
	}
	*l = append(*l, text)
}

func (l doubtList) err(s *Store) error {
	if len(l) == 0 || s.opt.Meant {
		return nil
	}
	return &Doubtful{l}
}

// future asks a day back that has not come yet.
func (l *doubtList) future(s *Store, day Date) {
	if today := s.Today(); day > today {
		l.add("%s has not come yet, today is %s by this computer's clock", day, today)
	}
}

// How far a reading may lie from the last one before it is asked back, as a ratio: wood
// dries by a third at most, and callipers do not err by more (common
// practice, no source).
var farFromLast = map[string][2]float64{
	massQuantity: {0.6, 1.25}, "length_mm": {0.96, 1.04}, "height_mm": {0.85, 1.15}, "width_mm": {0.85, 1.15},
	"head_length_mm": {0.8, 1.25}, "head_height_mm": {0.8, 1.25}, "tip_height_mm": {0.8, 1.25}, "tip_width_mm": {0.8, 1.25},
}

// otherNote is how far the note may be from the last one before it is asked back: drying
// moves it by a few per cent, another stick by any amount (common practice, no source).
const otherNote = 0.07

// reading asks back what can hardly be a reading of this stick: unusual in itself, far
// from the last one, or older than the stick's purchase.
func (l *doubtList) reading(h History, r Reading) {
	void := h.Void()
	b, _ := h.On("")
	if b.Bought != "" && r.Date < b.Bought {
		l.add("%s was measured on %s, but stick %s was bought on %s", r, r.Date, b.Blank, b.Bought)
	}
	row := h.assemble(grading.Row{}, Test{Date: r.Date})
	if c, err := grading.ParseCell(r.Quantity, text(r.Value)); err != nil {
		l.add("%v", err)
	} else if why := c.Doubt(row); why != "" {
		l.add("%s", why)
	}
	var last *Reading
	for i, m := range h.Readings {
		if m.Quantity == r.Quantity && !void[m.ID] && m.Date <= r.Date {
			last = &h.Readings[i]
		}
	}
	ratio, ok := farFromLast[r.Quantity]
	if last == nil || !ok || last.Value <= 0 || h.workedBetween(void, last.Date, r.Date) {
		return
	}
	if x := r.Value / last.Value; x < ratio[0] || x > ratio[1] {
		l.add("%s is far from %s of %s", r, last, last.Date)
	}
}

func (h History) workedBetween(void map[string]bool, from, to Date) bool {
	for _, e := range h.Events {
		if e.Kind == Started && !void[e.ID] && e.Date >= from && e.Date <= to {
			return true
		}
	}
	return false
}

// recordings asks back the very sound of another stick.
func (l *doubtList) recordings(ctx context.Context, s *Store, blank string, recordings []TestRecording) error {
	for _, r := range recordings {
		tests, err := all(ctx, s.db, scanTest, `SELECT `+testColumns+` FROM tests WHERE blank != ?1 AND id IN (SELECT test FROM test_recordings WHERE sha256 = ?2)`, blank, r.SHA256)
		if err != nil {
			return s.explain(err)
		}
		for _, t := range tests {
			void, err := voidOf(ctx, s.db, t.Blank, "")
			if err != nil {
				return s.explain(err)
			}
			other, err := s.Blank(ctx, t.Blank)
			if err != nil {
				return err
			}
			if !void[t.ID] {
				l.add("%s is, byte for byte, the recording of stick %s", r.Name, other.Name())
			}
		}
	}
	return nil
}

// note asks back a note that is another stick's.
func (l *doubtList) note(h History, t Test) {
	void := h.Void()
	last := h.counting(void, t.Date, "")
	if last == nil || !last.Hz.Known() || !t.Hz.Known() || last.Hz.X <= 0 || h.workedBetween(void, last.Date, t.Date) {
		return
	}
	if off := t.Hz.X/last.Hz.X - 1; math.Abs(off) > otherNote {
		l.add("the note %s is %+.0f %% off that of %s (%s): is it another stick?", t.Hz.Text("Hz"), 100*off, last.Date, last.Hz.Text("Hz"))
	}
}

// clock asks today back as the day of an act when the stick's last entry was written
// later: the clock is wrong, or it was.
func (l *doubtList) clock(ctx context.Context, s *Store, blank string) error {
	var last Date
	err := s.db.QueryRowContext(ctx, `SELECT coalesce(max(substr(recorded_at, 1, 10)), '') FROM events WHERE blank = ?`, blank).Scan(&last)
	if err != nil {
		return s.explain(err)
	}
	if today := s.Today(); last != "" && last.Days(today) > 1 { // a day for time zones
		l.add("this computer's clock says %s, but the stick's last entry was written on %s: set the clock right, or say the day with --date", today, last)
	}
	return nil
}
