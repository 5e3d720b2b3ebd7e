package stock

import (
	"context"

	"ringstock/grading/wood"
)

// Readings are the newest of every quantity of a stick, with the shape of its section.
func (s *Store) Readings(ctx context.Context, id string) (wood.Readings, error) {
	row, err := s.row(ctx, id, s.Today(), nil)
	return row.Readings, err
}
