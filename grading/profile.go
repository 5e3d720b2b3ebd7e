package grading

// Profile holds every limit and weight of a judgement.
type Profile struct {
	Name string `toml:"name" json:"name"`
}
