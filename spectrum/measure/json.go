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
// reason goes into "why" under the same name, and the reason's code, if it has one, into "why_codes"; a budget goes into
// "budget". A Coded field, such as warnings, is followed by its codes, under the name of the tag codes:"warning_codes".
// Embedded structs are flattened too. A tag u:"-" leaves the uncertainty out. Numbers are written with nine
// significant digits, so that the last bits of an arithmetic unit don't show.
func Marshal(structure any) ([]byte, error) {
	var out bytes.Buffer
	why, codes, budget := map[string]string{}, map[string]string{}, map[string][]Part{}
	out.WriteByte('{')
	put := func(name string, raw []byte) {
		if out.Len() > 1 {
			out.WriteByte(',')
		}
		fmt.Fprintf(&out, "%q:%s", name, raw)
	}
	err := eachField(reflect.ValueOf(structure), func(f reflect.StructField, v reflect.Value, name string) error {
		m, isValue := v.Interface().(Value)
		if !isValue {
			raw, err := marshalled(v)
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			put(name, raw)
			if c, is := v.Interface().(Coded); is {
				raw, err := json.Marshal(append([]string{}, c.Codes()...))
				if err != nil {
					return fmt.Errorf("%s: %w", name, err)
				}
				put(f.Tag.Get("codes"), raw)
			}
			return nil
		}
		x, u := []byte("null"), []byte("null")
		if m.known {
			x, u = number(m.X), number(m.U)
		} else if m.Why != "" {
			why[name] = m.Why
			if m.Code != "" {
				codes[name] = m.Code
			}
		}
		put(name, x)
		if un := uName(f, name); un != "-" {
			put(un, u)
		}
		if len(m.Budget) > 0 {
			budget[name] = m.Budget
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, extra := range []struct {
		name string
		n    int
		v    any
	}{{"why", len(why), why}, {"why_codes", len(codes), codes}, {"budget", len(budget), budget}} {
		if extra.n > 0 {
			raw, err := json.Marshal(extra.v)
			if err != nil {
				return nil, err
			}
			put(extra.name, raw)
		}
	}
	out.WriteByte('}')
	return out.Bytes(), nil
}

// marshalled is the JSON of a field. Marshalers in it, alone or in a list, are asked themselves: json.Marshal reads what they
// wrote all over again, once for each level of nesting.
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
	var raw map[string]json.RawMessage
	if err := json.Unmarshal(data, &raw); err != nil {
		return err
	}
	var why, codes map[string]string
	var budget map[string][]Part
	for name, into := range map[string]any{"why": &why, "why_codes": &codes, "budget": &budget} {
		if r, ok := raw[name]; ok {
			if err := json.Unmarshal(r, into); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
	}
	return eachField(reflect.ValueOf(pointer).Elem(), func(f reflect.StructField, v reflect.Value, name string) error {
		r, ok := raw[name]
		if !ok {
			return nil
		}
		if v.Type() != reflect.TypeFor[Value]() {
			if err := json.Unmarshal(r, v.Addr().Interface()); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			if c, is := v.Addr().Interface().(interface{ SetCodes([]string) }); is && raw[f.Tag.Get("codes")] != nil {
				var list []string
				if err := json.Unmarshal(raw[f.Tag.Get("codes")], &list); err != nil {
					return fmt.Errorf("%s: %w", f.Tag.Get("codes"), err)
				}
				c.SetCodes(list)
			}
			return nil
		}
		var x, u *float64
		if err := json.Unmarshal(r, &x); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if ru, ok := raw[uName(f, name)]; ok {
			if err := json.Unmarshal(ru, &u); err != nil {
				return fmt.Errorf("%s: %w", uName(f, name), err)
			}
		}
		m := Reason{codes[name], why[name]}.Value()
		if x != nil {
			m = Of(*x, 0)
			if u != nil {
				m = Of(*x, *u)
			}
		}
		m.Budget = budget[name]
		v.Set(reflect.ValueOf(m))
		return nil
	})
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
