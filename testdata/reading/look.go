// Package reading hands out the labelled messages that may be looked at, for the
// rehearsal's patients to write.
package reading

import _ "embed"

// Look is look.jsonl, one message a line.
//
//go:embed look.jsonl
var Look []byte
