package bot_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-telegram/bot/models"

	"handrail.example/bot/loopback"
	"handrail.example/reminders/outbox"
)

// The fields of a call that are not text when they come as form values. Should
// one be missing here, the compiler complains.
var (
	wholeFields = []string{"message_id", "offset", "limit", "timeout"}
	truthFields = []string{"disable_notification", "drop_pending_updates"}
)

const preamble = `import type { Opts, Update } from "@grammyjs/types";
type Upload = { readonly upload: unique symbol };
declare const upload: Upload;
type Call<M extends keyof Opts<Upload>> = Opts<Upload>[M];
// The check itself is checked: each of these has to be refused.
// @ts-expect-error
const wrong1: Call<"sendMessage"> = { chat_id: "1", text: "x", replymarkup: {} };
// @ts-expect-error
const wrong2: Call<"sendMessage"> = { chat_id: "1" };
// @ts-expect-error
const wrong3: Call<"editMessageReplyMarkup"> = { chat_id: "1", message_id: "7" };
// @ts-expect-error
const wrong4: Update = { update_id: 7, message: { text: "no chat" } };
`

// TestCallsHaveThePlatformsTypes checks every call that we make, and every
// update that the loopback server makes up, against the Bot API's types as the
// npm package @grammyjs/types has them.
func TestCallsHaveThePlatformsTypes(t *testing.T) {
	t.Parallel()
	home, err := filepath.Abs("../.ci/telegram/node_modules")
	if err != nil {
		t.Fatal(err)
	}
	compiler := filepath.Join(home, ".bin", "tsc")
	if _, err := os.Stat(compiler); err != nil {
		t.Skip("no TypeScript compiler in .ci/telegram/node_modules: outgoing calls are not checked against the platform's types (run npm install in .ci/telegram)")
	}
	b, in := setup(t), &memory{}
	makeEveryCall(t, b, in)
	calls := b.Calls()
	for _, method := range []string{
		"getMe", "getUpdates", "setMyCommands", "setWebhook", "deleteWebhook", "sendMessage", "sendDocument",
		"sendPhoto", "answerCallbackQuery", "editMessageReplyMarkup",
	} {
		if !slices.ContainsFunc(calls, func(c loopback.Call) bool { return c.Method == method }) {
			t.Errorf("%s was never called", method)
		}
	}
	var source strings.Builder
	source.WriteString(preamble)
	for i, c := range calls {
		fmt.Fprintf(&source, "const call%d: Call<%q> = %s;\n", i, c.Method, literal(c))
	}
	if len(in.order) < 12 {
		t.Errorf("only %d updates to check", len(in.order))
	}
	for i, u := range in.order {
		fmt.Fprintf(&source, "const update%d: Update = %s;\n", i, u.Raw)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "calls.ts")
	if err := os.WriteFile(file, []byte(source.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(home, filepath.Join(dir, "node_modules")); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	out, err := exec.CommandContext(ctx, compiler, "--noEmit", "--strict", "--target", "es2022", "--module", "nodenext", file).CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s\n%s", err, out, source.String())
	}
}

// literal is a call's parameters as a TypeScript literal.
func literal(c loopback.Call) string {
	var fields []string
	for name, value := range c.Params {
		text := value
		plain := slices.Contains(wholeFields, name) || slices.Contains(truthFields, name)
		if !plain && !strings.HasPrefix(value, "{") && !strings.HasPrefix(value, "[") {
			quoted, _ := json.Marshal(value)
			text = string(quoted)
		}
		fields = append(fields, name+": "+text)
	}
	for name := range c.Files {
		fields = append(fields, name+": upload")
	}
	slices.Sort(fields)
	return "{ " + strings.Join(fields, ", ") + " }"
}

func makeEveryCall(t *testing.T, b *bench, in *memory) {
	t.Helper()
	ctx := t.Context()
	_, err1 := b.client.Me(ctx)
	err2 := b.client.Menu(ctx, "es", []models.BotCommand{{Command: "ayuda", Description: "Cómo funciona"}})
	err3 := b.client.TakeWebhook(ctx, "http://127.0.0.1:1/hook", "s3cret")
	err4 := b.client.DropWebhook(ctx)
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		t.Fatal(err)
	}
	buttons := [][]outbox.Button{{{Label: "Taken", Token: "t-1"}, {Label: "Not yet", Token: "t-2"}}}
	first := b.sender.Send(ctx, envelope(outbox.Message{Text: "Dose?", Buttons: buttons, Silent: true}))
	makeEveryUpdate(t, b)
	press, err := b.Press(maribel, b.Messages(maribel)[0].ID, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []outbox.Message{
		{Text: "Noted", Ack: press, Retire: first.External},
		{Text: "Your days", Buttons: buttons, File: &outbox.File{Name: "days.ics", Media: "text/calendar", Data: []byte("BEGIN")}},
		{Text: "A map", Silent: true, File: &outbox.File{Name: "map.png", Media: "image/png", Data: pixel(t)}},
	} {
		if out := b.sender.Send(ctx, envelope(m)); out.Fate != outbox.Sent {
			t.Fatalf("%+v", out)
		}
	}
	b.mustMisbehave(t, loopback.Fault{Kind: loopback.Late, Method: "getUpdates"})
	b.poll(t, in)
	b.settle(t)
}

// makeEveryUpdate has the person do everything that makes an update.
func makeEveryUpdate(t *testing.T, b *bench) {
	t.Helper()
	b.mustWrite(t, "/start abc", "me bajó")
	for _, kind := range []string{"photo", "voice", "document", "video", "sticker", "contact", "location"} {
		if _, err := b.SendMedia(maribel, kind, ""); err != nil {
			t.Fatal(err)
		}
	}
	all := b.Messages(maribel)
	_, err1 := b.Edit(maribel, all[2].ID, "me bajó ayer")
	_, err2 := b.PressToken(maribel, 999, "a message that is no more")
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	b.Block(maribel)
	b.Unblock(maribel)
}
