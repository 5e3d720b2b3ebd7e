package stock_test

import (
	"context"
	"fmt"
	"os"
	"time"

	"ringstock/grading/stock"
)

// A new stock is empty and sound, and its head is the fingerprint of no facts.
func ExampleOpen() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	s, err := stock.Open(ctx, stock.Options{Dir: dir, Now: time.Now, Create: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer s.Close()
	health, err := s.Check(ctx, true)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("sound:", health.OK, "sticks:", health.Blanks)
	filter, err := stock.ParseFilter("density<1000")
	if err != nil {
		fmt.Println(err)
		return
	}
	light, err := s.List(ctx, []stock.Filter{filter}, nil)
	fmt.Println("light ones:", len(light), err)
	// Output:
	// sound: true sticks: 0
	// light ones: 0 <nil>
}
