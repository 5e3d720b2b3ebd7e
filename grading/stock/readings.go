package stock

import (
	"context"
	"fmt"

	"ringstock/grading"
	"ringstock/grading/wood"
)

// Readings are the newest of every quantity of a stick, with the shape of its section.
func (s *Store) Readings(ctx context.Context, id string) (wood.Readings, error) {
	var row grading.Row
	err := s.read(ctx, func(q querier) error {
		h, err := history(ctx, q, id)
		if err != nil {
			return err
		}
		if len(h.Events) == 0 {
			return fmt.Errorf("there is no stick %q in the stock", id)
		}
		row, err = s.rowFor(ctx, h, Test{Date: s.Today()})
		return err
	})
	return row.Readings, err
}
