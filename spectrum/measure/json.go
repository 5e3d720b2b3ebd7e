package measure

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// Marshal writes a struct whose fields may be Values as one flat JSON object.
// A field of type Value tagged json:"q" becomes "q" and "q_u" (another name for the
// uncertainty by the tag u:"purity_u_pct"); an unknown value becomes null, and its
// reason goes into "why" under the same name, and the reason's code, if it has one, into
// "why_codes"; a budget goes into "budget". A Coded field, such as warnings, is followed
// by its codes, under the name of the tag codes:"warning_codes". Embedded structs are
// flattened too. A tag u:"-" leaves the uncertainty out. Numbers are written with nine
// significant digits, so that the last bits of an arithmetic unit don't show.
func Marshal(structure any) ([]byte, error) {
	w := writer{why: map[string]string{}, codes: map[string]string{}, budget: map[string][]Part{}}
	w.out.WriteByte('{')
	if err := eachField(reflect.ValueOf(structure), w.field); err != nil {
		return nil, err
	}
	for _, extra := range []struct {
		name string
		n    int
		v    any
	}{{"why", len(w.why), w.why}, {"why_codes", len(w.codes), w.codes}, {"budget", len(w.budget), w.budget}} {
		if extra.n > 0 {
			if err := w.put(extra.name, reflect.ValueOf(extra.v)); err != nil {
				return nil, err
			}
		}
	}
	w.out.WriteByte('}')
	return w.out.Bytes(), nil
}

// writer is an object in the making, and what is to be told of its values at its end.
type writer struct {
	out        bytes.Buffer
	why, codes map[string]string
	budget     map[string][]Part
}

func (w *writer) raw(name string, raw []byte) {
	if w.out.Len() > 1 {
		w.out.WriteByte(',')
	}
	fmt.Fprintf(&w.out, "%q:%s", name, raw)
}

func (w *writer) put(name string, v reflect.Value) error {
	raw, err := marshalled(v)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	w.raw(name, raw)
	return nil
}

func (w *writer) field(f reflect.StructField, v reflect.Value, name string) error {
	if m, is := v.Interface().(Value); is {
		w.value(f, name, m)
		return nil
	}
	if err := w.put(name, v); err != nil {
		return err
	}
	if c, is := v.Interface().(Coded); is {
		return w.put(f.Tag.Get("codes"), reflect.ValueOf(append([]string{}, c.Codes()...)))
	}
	return nil
}

func (w *writer) value(f reflect.StructField, name string, m Value) {
	x, u := []byte("null"), []byte("null")
	if m.known {
		x, u = number(m.X), number(m.U)
	} else if m.Why != "" {
		w.why[name] = m.Why
		if m.Code != "" {
			w.codes[name] = m.Code
		}
	}
	w.raw(name, x)
	if un := uName(f, name); un != "-" {
		w.raw(un, u)
	}
	if len(m.Budget) > 0 {
		w.budget[name] = m.Budget
	}
}

// marshalled is the JSON of a field. Marshalers in it, alone or in a list, are
// asked themselves: json.Marshal reads what they wrote all over again, once for
// each level of nesting.
func marshalled(v reflect.Value) ([]byte, error) {
	switch kind := v.Kind(); {
	case (kind == reflect.Pointer || kind == reflect.Slice) && v.IsNil():
		return []byte("null"), nil
	case v.Type().Implements(marshaler):
		return v.Interface().(json.Marshaler).MarshalJSON()
	case kind == reflect.Slice && v.Type().Elem().Implements(marshaler):
		out := []byte{'['}
		for i := range v.Len() {
			if i > 0 {
				out = append(out, ',')
			}
			raw, err := marshalled(v.Index(i))
			if err != nil {
				return nil, err
			}
			out = append(out, raw...)
		}
		return append(out, ']'), nil
	}
	return json.Marshal(v.Interface())
}

var marshaler = reflect.TypeFor[json.Marshaler]()

// Unmarshal reads what Marshal wrote into the struct that pointer points to.
func Unmarshal(data []byte, pointer any) error {
	var r reader
	if err := json.Unmarshal(data, &r.raw); err != nil {
		return err
	}
	for name, into := range map[string]any{"why": &r.why, "why_codes": &r.codes, "budget": &r.budget} {
		if err := r.read(name, into); err != nil {
			return err
		}
	}
	return eachField(reflect.ValueOf(pointer).Elem(), r.field)
}

// reader is an object that was read, and what is told of its values at its end.
type reader struct {
	raw        map[string]json.RawMessage
	why, codes map[string]string
	budget     map[string][]Part
}

// read leaves what is not there as it is.
func (r *reader) read(name string, into any) error {
	raw, ok := r.raw[name]
	if !ok {
		return nil
	}
	if err := json.Unmarshal(raw, into); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

func (r *reader) field(f reflect.StructField, v reflect.Value, name string) error {
	if _, ok := r.raw[name]; !ok {
		return nil
	}
	if v.Type() == reflect.TypeFor[Value]() {
		return r.value(f, v, name)
	}
	if err := r.read(name, v.Addr().Interface()); err != nil {
		return err
	}
	if c, is := v.Addr().Interface().(interface{ SetCodes([]string) }); is {
		var codes []string
		if err := r.read(f.Tag.Get("codes"), &codes); err != nil {
			return err
		}
		c.SetCodes(codes)
	}
	return nil
}

func (r *reader) value(f reflect.StructField, v reflect.Value, name string) error {
	var x, u *float64
	if err := r.read(name, &x); err != nil {
		return err
	}
	if err := r.read(uName(f, name), &u); err != nil {
		return err
	}
	m := Reason{r.codes[name], r.why[name]}.Value()
	if x != nil {
		m = Of(*x, 0)
		if u != nil {
			m = Of(*x, *u)
		}
	}
	m.Budget = r.budget[name]
	v.Set(reflect.ValueOf(m))
	return nil
}

// Coded is a list of texts with a code each.
type Coded interface{ Codes() []string }

func eachField(v reflect.Value, do func(reflect.StructField, reflect.Value, string) error) error {
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if f.Anonymous && f.Type.Kind() == reflect.Struct {
			if err := eachField(v.Field(i), do); err != nil {
				return err
			}
			continue
		}
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if !f.IsExported() || name == "-" || name == "" {
			continue
		}
		if err := do(f, v.Field(i), name); err != nil {
			return err
		}
	}
	return nil
}

func uName(f reflect.StructField, name string) string {
	if u := f.Tag.Get("u"); u != "" {
		return u
	}
	return name + "_u"
}

func number(x float64) []byte {
	return strconv.AppendFloat(nil, x, 'g', 9, 64)
}
