package plan

import (
	_ "embed"
	"encoding/json"
	"strings"
)

// Reason says why, as a code with arguments that any language can put into
// words. Dates among the arguments are ISO 8601, days of the week English.
type Reason struct {
	Code string            `json:"code"`
	Args map[string]string `json:"args,omitempty"`
}

//go:embed words.yaml
var wordsFile []byte

var words = mustWords(wordsFile)

func mustWords(b []byte) map[string]string {
	var file struct {
		Reasons map[string]string `yaml:"reasons"`
	}
	if err := Strict(b, &file); err != nil {
		panic("the embedded words: " + err.Error())
	}
	return file.Reasons
}

// Words is the reason in English.
func (r Reason) Words() string {
	text, ok := words[r.Code]
	if !ok {
		return r.Code
	}
	pairs := make([]string, 0, 2*len(r.Args))
	for _, k := range sortedKeys(r.Args) {
		pairs = append(pairs, "{"+k+"}", r.Args[k])
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// Codes has the English words of every reason code, with {argument} marks.
func Codes() map[string]string {
	out := make(map[string]string, len(words))
	for k, v := range words {
		out[k] = v
	}
	return out
}

// because makes a reason; args are names and values in turn.
func because(code string, args ...string) Reason {
	r := Reason{Code: code}
	if len(args) > 0 {
		r.Args = make(map[string]string, len(args)/2)
	}
	for i := 0; i+1 < len(args); i += 2 {
		r.Args[args[i]] = args[i+1]
	}
	return r
}

// String is for test failures: the code and its arguments.
func (r Reason) String() string {
	b, err := json.Marshal(r)
	if err != nil {
		return r.Code
	}
	return string(b)
}
