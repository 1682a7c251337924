package plan

import (
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
)

// Fault is one thing wrong with a configuration, policy or protocol file.
type Fault struct {
	// Field is the path of the key, "messages.quiet_hours.from".
	Field string
	// Value is what the file says, as text.
	Value string
	// Allowed says what would be right.
	Allowed string
}

// String is the fault in one line.
func (f Fault) String() string {
	if f.Value == "" {
		return f.Field + ": " + f.Allowed
	}
	return fmt.Sprintf("%s: %s: %s", f.Field, f.Value, f.Allowed)
}

// Faults is everything wrong with a file, in the order of its fields.
type Faults []Fault

// Error has one fault a line.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.String()
	}
	return strings.Join(lines, "\n")
}

// Or is fs as an error: nil when there is no fault.
func (fs Faults) Or() error {
	if len(fs) == 0 {
		return nil
	}
	return fs
}

// add notes a fault; the first one about a field stands.
func (fs *Faults) add(field string, value any, allowed string) {
	if slices.ContainsFunc(*fs, func(f Fault) bool { return f.Field == field }) {
		return
	}
	*fs = append(*fs, Fault{field, fmt.Sprint(value), allowed})
}

// Strict reads YAML over what into already holds: a key that the file leaves
// out keeps its value, a list is replaced whole, a map is added to. Unknown
// keys and values of a wrong type are all reported together, as Faults. Fields
// are named by their yaml tag; a time.Duration is written as "30m".
func Strict(b []byte, into any) error { return strict(b, into).Or() }

func strict(b []byte, into any) Faults {
	var tree any
	if err := yaml.Unmarshal(b, &tree); err != nil {
		return Faults{{Field: "file", Allowed: "is not readable YAML: " + firstLine(err)}}
	}
	if tree == nil {
		return Faults{{Field: "file", Allowed: "is empty"}}
	}
	var fs Faults
	fill(reflect.ValueOf(into).Elem(), tree, "", &fs)
	return fs
}

func firstLine(err error) string {
	line, _, _ := strings.Cut(err.Error(), "\n")
	return line
}

var durationType = reflect.TypeFor[time.Duration]()

// fill puts node into v and notes what does not fit.
func fill(v reflect.Value, node any, path string, fs *Faults) {
	if v.Type() == durationType {
		fillDuration(v, node, path, fs)
		return
	}
	if t, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok {
		fillText(t, node, path, fs)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		fillStruct(v, node, path, fs)
	case reflect.Map:
		fillMap(v, node, path, fs)
	case reflect.Slice:
		fillSlice(v, node, path, fs)
	default:
		fillScalar(v, node, path, fs)
	}
}

func fillStruct(v reflect.Value, node any, path string, fs *Faults) {
	m, ok := node.(map[string]any)
	if !ok {
		fs.add(at(path), node, "must be a section with keys")
		return
	}
	fields := map[string]reflect.Value{}
	var names []string
	for i := range v.NumField() {
		if name := v.Type().Field(i).Tag.Get("yaml"); name != "" {
			fields[name] = v.Field(i)
			names = append(names, name)
		}
	}
	for _, key := range sorted(m) {
		f, known := fields[key]
		if !known {
			fs.add(join(path, key), "unknown key", "known here: "+strings.Join(names, ", "))
			continue
		}
		fill(f, m[key], join(path, key), fs)
	}
}

func fillMap(v reflect.Value, node any, path string, fs *Faults) {
	m, ok := node.(map[string]any)
	if !ok {
		fs.add(at(path), node, "must be a section with keys")
		return
	}
	if v.IsNil() {
		v.Set(reflect.MakeMap(v.Type()))
	}
	for _, key := range sorted(m) {
		k := reflect.New(v.Type().Key()).Elem()
		e := reflect.New(v.Type().Elem()).Elem()
		if n, err := strconv.Atoi(key); err == nil && k.CanInt() {
			k.SetInt(int64(n))
		} else if k.Kind() == reflect.String {
			k.SetString(key)
		} else {
			fs.add(join(path, key), key, "the key must be a whole number")
			continue
		}
		if old := v.MapIndex(k); old.IsValid() {
			e.Set(old)
		}
		fill(e, m[key], join(path, key), fs)
		v.SetMapIndex(k, e)
	}
}

func fillSlice(v reflect.Value, node any, path string, fs *Faults) {
	list, ok := node.([]any)
	if !ok {
		fs.add(at(path), node, "must be a list")
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), len(list), len(list)))
	for i, e := range list {
		fill(v.Index(i), e, fmt.Sprintf("%s[%d]", path, i), fs)
	}
}

func fillDuration(v reflect.Value, node any, path string, fs *Faults) {
	d, err := time.ParseDuration(fmt.Sprint(node))
	if err != nil {
		fs.add(at(path), node, "must be a duration such as 15m, 2h or 72h")
		return
	}
	v.SetInt(int64(d))
}

func fillText(t encoding.TextUnmarshaler, node any, path string, fs *Faults) {
	if err := t.UnmarshalText([]byte(fmt.Sprint(node))); err != nil {
		fs.add(at(path), node, err.Error())
	}
}

func fillScalar(v reflect.Value, node any, path string, fs *Faults) {
	whole, isWhole := wholeNumber(node)
	f, isFloat := node.(float64)
	b, isBool := node.(bool)
	s, isText := node.(string)
	switch {
	case v.CanInt() && isWhole:
		v.SetInt(whole)
	case v.CanFloat() && isWhole:
		v.SetFloat(float64(whole))
	case v.CanFloat() && isFloat:
		v.SetFloat(f)
	case v.Kind() == reflect.Bool && isBool:
		v.SetBool(b)
	case v.Kind() == reflect.String && isText:
		v.SetString(s)
	case v.Kind() == reflect.String && isWhole: // 911 without quotes
		v.SetString(strconv.FormatInt(whole, 10))
	default:
		fs.add(at(path), shown(node), "must be "+kindWords(v.Kind()))
	}
}

func wholeNumber(node any) (int64, bool) {
	switch n := node.(type) {
	case uint64:
		return int64(n), n < 1<<53
	case int64:
		return n, true
	case int:
		return int64(n), true
	}
	return 0, false
}

func shown(node any) string {
	if node == nil {
		return "nothing"
	}
	return fmt.Sprint(node)
}

func kindWords(k reflect.Kind) string {
	switch k {
	case reflect.String:
		return "text"
	case reflect.Bool:
		return "true or false"
	case reflect.Float64:
		return "a number"
	}
	return "a whole number"
}

func at(path string) string {
	if path == "" {
		return "file"
	}
	return path
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func sorted(m map[string]any) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
