package bot

import (
	"crypto/subtle"
	"errors"
	"io"
	"net/http"

	"handrail.example/dialog"
)

// maxUpdate is the largest update that a webhook takes, in bytes.
const maxUpdate = 1 << 20

// secretHeader carries the webhook's secret.
const secretHeader = "X-Telegram-Bot-Api-Secret-Token"

// Webhook takes updates that the platform delivers. It answers 200 only when an
// update is safe, and 503 when it is not, so that the platform tries again.
type Webhook struct {
	Intake Intake
	// Secret is what the platform was told to send; compulsory.
	Secret string
}

var _ http.Handler = (*Webhook)(nil)

// ServeHTTP takes one update.
func (h *Webhook) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.WriteHeader(h.take(w, r))
}

func (h *Webhook) take(w http.ResponseWriter, r *http.Request) int {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", http.MethodPost)
		return http.StatusMethodNotAllowed
	}
	given := r.Header.Get(secretHeader)
	if h.Secret == "" || subtle.ConstantTimeCompare([]byte(given), []byte(h.Secret)) != 1 {
		return http.StatusUnauthorized
	}
	raw, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxUpdate))
	if tooBig := (*http.MaxBytesError)(nil); errors.As(err, &tooBig) {
		return http.StatusRequestEntityTooLarge
	}
	if err != nil {
		return http.StatusBadRequest
	}
	id, chat, ok := envelope(raw)
	if !ok {
		return http.StatusBadRequest
	}
	if err := h.Intake.Take(r.Context(), []dialog.Arrival{{ID: id, Raw: raw, Chat: chat}}); err != nil {
		return http.StatusServiceUnavailable
	}
	return http.StatusOK
}
