package loopback

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"time"
)

// maxBody is the largest request in bytes, as on the platform.
const maxBody = 50 << 20

// params are the parameters of a call. Text is as sent; everything else is JSON
// text, whichever way it came: a JSON body, a form, a form with files, the query
// of the address, or not at all.
type params struct {
	text  map[string]string
	files map[string]upload
}

// upload is one file of a call.
type upload struct {
	name string
	data []byte
}

func readParams(w http.ResponseWriter, r *http.Request) (params, *failure) {
	p := params{text: map[string]string{}, files: map[string]upload{}}
	p.add(r.URL.Query())
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	kind, options, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	var err error
	switch kind {
	case "application/json":
		err = p.readJSON(r.Body)
	case "multipart/form-data":
		err = p.readParts(r, options["boundary"])
	default:
		err = p.readForm(r.Body)
	}
	if tooBig := (*http.MaxBytesError)(nil); errors.As(err, &tooBig) {
		return p, fail(http.StatusRequestEntityTooLarge, "Request Entity Too Large")
	}
	if err != nil {
		return p, fail(http.StatusBadRequest, "Bad Request: can't parse the request body")
	}
	return p, nil
}

func (p params) add(v url.Values) {
	for name, all := range v {
		p.text[name] = all[len(all)-1]
	}
}

func (p params) readJSON(r io.Reader) error {
	body, err := io.ReadAll(r)
	if err != nil || len(bytes.TrimSpace(body)) == 0 {
		return err
	}
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(body, &fields); err != nil {
		return err
	}
	for name, raw := range fields {
		var s string
		if json.Unmarshal(raw, &s) != nil || string(raw) == "null" {
			s = string(raw)
		}
		if s != "null" {
			p.text[name] = s
		}
	}
	return nil
}

func (p params) readForm(r io.Reader) error {
	body, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	v, err := url.ParseQuery(string(body))
	p.add(v)
	return err
}

// readParts reads a form with files. A body without a single part counts as no
// parameters: a client with nothing to say may send one.
func (p params) readParts(r *http.Request, boundary string) error {
	if boundary == "" {
		return errors.New("no boundary")
	}
	parts, err := r.MultipartReader()
	if err != nil {
		return err
	}
	for n := 0; ; n++ {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		data, err := io.ReadAll(part)
		if err != nil {
			return err
		}
		if part.FileName() != "" {
			p.files[part.FormName()] = upload{part.FileName(), data}
		} else {
			p.text[part.FormName()] = string(data)
		}
	}
}

func (p params) has(name string) bool { return p.text[name] != "" }

// whole reads a whole number; an absent one is 0.
func (p params) whole(name string) (int64, *failure) {
	if p.text[name] == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(p.text[name], 10, 64)
	if err != nil {
		return 0, fail(http.StatusBadRequest, "Bad Request: invalid "+name+" specified")
	}
	return n, nil
}

// list reads a JSON list of words; anything else is an empty list.
func (p params) list(name string) []string {
	var out []string
	if json.Unmarshal([]byte(p.text[name]), &out) != nil {
		return nil
	}
	return out
}

// polling reads the parameters of a request for updates.
func (p params) polling() (offset int64, limit int, patience time.Duration, bad *failure) {
	offset, bad1 := p.whole("offset")
	n, bad2 := p.whole("limit")
	seconds, bad3 := p.whole("timeout")
	for _, b := range []*failure{bad1, bad2, bad3} {
		if b != nil {
			return 0, 0, 0, b
		}
	}
	if n < 1 || n > maxBatch {
		n = maxBatch
	}
	patience = min(max(time.Duration(seconds)*time.Second, 0), maxPark)
	return offset, int(n), patience, nil
}
