package measure

import "github.com/fxamacker/cbor/v2"

// bare is a Value in full, for what is only laid by: JSON rounds and leaves out.
type bare struct {
	_      struct{} `cbor:",toarray"`
	X, U   float64
	Why    []byte // a text need not be UTF-8 here
	Budget []Part
	Known  bool
	Code   []byte
}

func (v Value) MarshalCBOR() ([]byte, error) {
	return cbor.Marshal(bare{X: v.X, U: v.U, Why: []byte(v.Why), Budget: v.Budget, Known: v.known, Code: []byte(v.Code)})
}

func (v *Value) UnmarshalCBOR(raw []byte) error {
	var b bare
	err := cbor.Unmarshal(raw, &b)
	*v = Value{b.X, b.U, string(b.Why), string(b.Code), b.Budget, b.Known}
	return err
}
