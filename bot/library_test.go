package bot_test

import (
	"context"
	"strings"
	"testing"

	telegram "github.com/go-telegram/bot"
	"github.com/go-telegram/bot/models"

	"handrail.example/bot/loopback"
)

// The bot library with its own loop is an independent client: a bot written
// against it alone has to work on the loopback server as it does on the platform.
func TestTheLibrarysOwnBotWorksOnTheLoopbackServer(t *testing.T) {
	t.Parallel()
	b := setup(t)
	lib, err := telegram.New(b.Token(), telegram.WithServerURL(b.URL()), telegram.WithNotAsyncHandlers(),
		telegram.WithErrorsHandler(func(error) {}),
		telegram.WithDefaultHandler(func(ctx context.Context, lib *telegram.Bot, u *models.Update) {
			if u.Message == nil {
				return
			}
			said := u.Message.Text
			for _, e := range u.Message.Entities {
				said += " " + string(e.Type)
			}
			_, _ = lib.SendMessage(ctx, &telegram.SendMessageParams{ChatID: u.Message.Chat.ID, Text: "you said: " + said,
				ReplyMarkup: &models.InlineKeyboardMarkup{InlineKeyboard: [][]models.InlineKeyboardButton{{{Text: "Again", CallbackData: "again"}}}}})
		}))
	if err != nil {
		t.Fatal(err)
	}
	lib.RegisterHandler(telegram.HandlerTypeCallbackQueryData, "again", telegram.MatchTypeExact,
		func(ctx context.Context, lib *telegram.Bot, u *models.Update) {
			_, _ = lib.AnswerCallbackQuery(ctx, &telegram.AnswerCallbackQueryParams{CallbackQueryID: u.CallbackQuery.ID})
			_, _ = lib.EditMessageText(ctx, &telegram.EditMessageTextParams{
				ChatID: u.CallbackQuery.From.ID, MessageID: u.CallbackQuery.Message.Message.ID, Text: "once more"})
		})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); lib.Start(ctx) }()
	t.Cleanup(func() { cancel(); <-done })

	b.mustWrite(t, "/start ñandú")
	last := func() loopback.Message {
		all := b.Messages(maribel)
		return all[len(all)-1]
	}
	eventually(t, func() bool { return last().Text == "you said: /start ñandú bot_command" })
	if _, err := b.Press(maribel, last().ID, 0, 0); err != nil {
		t.Fatal(err)
	}
	eventually(t, func() bool { return last().Text == "once more" })
	if got := methodsOf(b.Calls()); !strings.HasSuffix(got, "getMe sendMessage answerCallbackQuery editMessageText") {
		t.Errorf("calls: %s", got)
	}
}
