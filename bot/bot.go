// Package bot is the adapter to the chat platform: it fetches updates or takes
// them by webhook, says in our own terms what they hold, and puts messages on
// the wire.
//
// It owns the platform's protocol and nothing else. It keeps no state, knows no
// database and no patient; an update is handed on only in its raw bytes, and is
// confirmed only after whoever took it says that it is safe. It refuses to put
// the token, or anything that a person wrote, into an error or a log.
package bot

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptrace"
	"regexp"
	"strings"
	"sync/atomic"
	"time"

	telegram "github.com/go-telegram/bot"
	"github.com/go-telegram/bot/models"
)

// DefaultURL is the platform's own server.
const DefaultURL = "https://api.telegram.org"

// Time-outs of the network, in real time.
const (
	callTimeout = 30 * time.Second
	hintTimeout = 5 * time.Second // calls whose failure nobody minds
	pollSlack   = 15 * time.Second
	maxAnswer   = 8 << 20
)

// kinds of updates that we ask for.
var allowedUpdates = []string{
	models.AllowedUpdateMessage,
	models.AllowedUpdateEditedMessage,
	models.AllowedUpdateCallbackQuery,
	models.AllowedUpdateMyChatMember,
}

var tokenShape = regexp.MustCompile(`^[0-9]+:[A-Za-z0-9_-]+$`)

// Client calls one Bot API server on behalf of one bot.
type Client struct {
	// Timeout is how long one call may take on the network, in real time.
	Timeout time.Duration

	url   string
	token string
	web   *http.Client
	api   *telegram.Bot
}

// NewClient makes a client and calls nobody. An empty url is the platform's own
// server; any other Bot API server will do.
func NewClient(url, token string) (*Client, error) {
	if !tokenShape.MatchString(token) {
		return nil, errors.New("the bot token has the form 123456:ABC; copy it again as the platform gave it")
	}
	if url == "" {
		url = DefaultURL
	}
	c := &Client{url: strings.TrimSuffix(url, "/"), token: token, web: newWeb(), Timeout: callTimeout}
	api, err := telegram.New(token,
		telegram.WithServerURL(c.url),
		telegram.WithSkipGetMe(),
		telegram.WithHTTPClient(time.Minute, doer{c.web}),
		telegram.WithDefaultHandler(func(context.Context, *telegram.Bot, *models.Update) {}),
		telegram.WithErrorsHandler(func(error) {}),
		telegram.WithDebugHandler(func(string, ...any) {}),
	)
	if err != nil {
		return nil, errors.New("the bot library refuses the token")
	}
	c.api = api
	return c, nil
}

// newWeb follows no redirect: the address holds the token.
func newWeb() *http.Client {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.MaxIdleConnsPerHost = 32
	return &http.Client{
		Transport:     t,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// Me asks the platform for the bot's name, which a link to the bot needs.
func (c *Client) Me(ctx context.Context) (name string, err error) {
	err = c.do(ctx, "getMe", c.Timeout, func(ctx context.Context) error {
		user, err := c.api.GetMe(ctx)
		if err == nil {
			name = user.Username
		}
		return err
	})
	return name, err
}

// Menu sets the bot's list of commands for one language; an empty language is
// the list for all others.
func (c *Client) Menu(ctx context.Context, language string, commands []models.BotCommand) error {
	return c.do(ctx, "setMyCommands", c.Timeout, func(ctx context.Context) error {
		_, err := c.api.SetMyCommands(ctx, &telegram.SetMyCommandsParams{Commands: commands, LanguageCode: language})
		return err
	})
}

// TakeWebhook has the platform deliver updates to url, with the secret in a
// header, instead of waiting to be polled.
func (c *Client) TakeWebhook(ctx context.Context, url, secret string) error {
	return c.do(ctx, "setWebhook", c.Timeout, func(ctx context.Context) error {
		_, err := c.api.SetWebhook(ctx, &telegram.SetWebhookParams{
			URL: url, SecretToken: secret, AllowedUpdates: allowedUpdates,
		})
		return err
	})
}

// DropWebhook returns to polling; updates that wait are kept.
func (c *Client) DropWebhook(ctx context.Context) error {
	return c.do(ctx, "deleteWebhook", c.Timeout, func(ctx context.Context) error {
		_, err := c.api.DeleteWebhook(ctx, &telegram.DeleteWebhookParams{})
		return err
	})
}

// Undelivered is how many updates wait at the platform for the webhook to take them.
func (c *Client) Undelivered(ctx context.Context) (n int, err error) {
	err = c.do(ctx, "getWebhookInfo", c.Timeout, func(ctx context.Context) error {
		info, err := c.api.GetWebhookInfo(ctx)
		if err == nil {
			n = info.PendingUpdateCount
		}
		return err
	})
	return n, err
}

// updates asks for what comes from offset on and keeps the request open for
// patience when there is nothing. The library has no such call that hands on the
// raw bytes.
func (c *Client) updates(ctx context.Context, offset int64, patience time.Duration) (batch []json.RawMessage, err error) {
	params := struct {
		Offset  int64    `json:"offset,omitempty"`
		Limit   int      `json:"limit"`
		Timeout int      `json:"timeout"`
		Allowed []string `json:"allowed_updates"`
	}{offset, 100, int(patience / time.Second), allowedUpdates}
	body, err := json.Marshal(params)
	if err != nil {
		return nil, err
	}
	err = c.do(ctx, "getUpdates", patience+pollSlack, func(ctx context.Context) error {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.url+"/bot"+c.token+"/getUpdates", bytes.NewReader(body))
		if err != nil {
			return errors.New("bad server address")
		}
		req.Header.Set("Content-Type", "application/json")
		resp, err := doer{c.web}.Do(req)
		if err != nil {
			return err
		}
		batch, err = readBatch(resp)
		return err
	})
	return batch, err
}

func readBatch(resp *http.Response) ([]json.RawMessage, error) {
	var answer struct {
		OK         bool              `json:"ok"`
		Result     []json.RawMessage `json:"result"`
		Code       int               `json:"error_code"`
		Parameters struct {
			RetryAfter int `json:"retry_after"`
		} `json:"parameters"`
	}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		return nil, &answerError{resp.StatusCode}
	}
	switch {
	case answer.OK:
		return answer.Result, nil
	case answer.Code == http.StatusTooManyRequests:
		return nil, &telegram.TooManyRequestsError{RetryAfter: answer.Parameters.RetryAfter}
	default:
		return nil, &answerError{answer.Code}
	}
}

// do makes one call under a time-out of the network and turns whatever goes
// wrong into a *Failure, the only error that leaves this package's calls.
func (c *Client) do(ctx context.Context, method string, timeout time.Duration, call func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	var connected atomic.Bool
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		GotConn: func(httptrace.GotConnInfo) { connected.Store(true) },
	})
	err := call(ctx)
	if err == nil {
		return nil
	}
	return classify(method, err, connected.Load())
}

// doer sends a request and hands on only an answer in JSON below 500, read
// whole and in bounds: the library would put any other body into its error.
type doer struct{ web *http.Client }

func (d doer) Do(req *http.Request) (*http.Response, error) {
	resp, err := d.web.Do(req)
	if err != nil {
		return nil, unwrapURL(err)
	}
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	_ = resp.Body.Close()
	if err != nil {
		return nil, fmt.Errorf("answer cut short: %w", err)
	}
	if resp.StatusCode >= http.StatusInternalServerError || !json.Valid(body) {
		return nil, &answerError{resp.StatusCode}
	}
	resp.Body = io.NopCloser(bytes.NewReader(body))
	return resp, nil
}
