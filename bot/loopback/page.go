package loopback

import "net/http"

// Demo fills the browser page.
type Demo struct{}

func newPage(*Server, Demo) http.Handler { return http.NotFoundHandler() }
