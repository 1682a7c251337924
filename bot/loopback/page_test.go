package loopback_test

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"handrail.example/bot/loopback"
)

// pictures is where to leave pictures of the page for a human to look at; they
// are of an invented day, or of a clinic that is already running.
var (
	pictures = flag.String("pictures", "", "directory to leave pictures of the page in")
	running  = flag.String("of", "", "address of a running page to take them of")
)

// cast is invented, like everything the page shows here.
var cast = []loopback.Contact{
	{Chat: 101, Name: "Maribel Tosk", Side: loopback.Patient, Note: "waiting for her period", Language: "es"},
	{Chat: 102, Name: "Oonagh Brill", Side: loopback.Patient, Note: "waiting, trial transfer not done", Language: "en"},
	{Chat: 103, Name: "Linnea Pascoe-Rhys", Side: loopback.Patient, Note: "cycle day 3, baseline today", Language: "en"},
	{Chat: 104, Name: "Zofia Arkell", Side: loopback.Patient, Note: "cycle day 5, letrozole", Language: "en"},
	{Chat: 105, Name: "Citlali Vern", Side: loopback.Patient, Note: "cycle day 11, scan today", Language: "es"},
	{Chat: 106, Name: "Hester Onslake", Side: loopback.Patient, Note: "two days after the trigger", Language: "en"},
	{Chat: 107, Name: "Amparo Dunmire", Side: loopback.Patient, Note: "transfer tomorrow", Language: "es"},
	{Chat: 108, Name: "Petra Holloway-Sung", Side: loopback.Patient, Note: "9 days after transfer", Language: "en"},
	{Chat: 109, Name: "Ruth Balmeric", Side: loopback.Patient, Note: "first hCG in, repeat due", Language: "en"},
	{Chat: 110, Name: "Delphine Okoro-Wray", Side: loopback.Patient, Note: "ultrasound in six days", Language: "en"},
	{Chat: 111, Name: "Noor Castellane", Side: loopback.Patient, Note: "slow rise, close watch", Language: "en"},
	{Chat: 112, Name: "Greta Solvay-Finch", Side: loopback.Patient, Note: "follow-up visit to book", Language: "en"},
	{Chat: 201, Name: "Tamsin Orrel", Side: loopback.Staff, Note: "lead coordinator", Language: "en"},
	{Chat: 202, Name: "Bastian Quoy", Side: loopback.Staff, Note: "coordinator, on call", Language: "en"},
	{Chat: 203, Name: "Yevka Lindqvane", Side: loopback.Staff, Note: "coordinator", Language: "en"},
	{Chat: 204, Name: "Dr. Petronel Ashgrove", Side: loopback.Staff, Note: "physician", Language: "en"},
}

// clinic is a server with its page, people and a clock that the page moves.
func clinic(t *testing.T) *bench {
	t.Helper()
	h := &hands{t: time.Date(2026, 3, 2, 14, 15, 0, 0, time.UTC)}
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	s, err := loopback.Start(loopback.Config{Now: h.now, Demo: &loopback.Demo{
		Title: "Larkmoor Reproductive Care", Zone: zone, DeskURL: "http://127.0.0.1:1/",
		People: func() []loopback.Contact { return cast },
		Next: func(context.Context) (string, error) {
			h.forward(105 * time.Minute)
			return "Zofia Arkell is asked about her 10:00 dose", nil
		},
		Forward: func(_ context.Context, d time.Duration) error { h.forward(d); return nil },
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	for _, c := range cast {
		s.Introduce(loopback.Person{Chat: c.Chat, Name: c.Name, Language: c.Language, Started: true})
	}
	return &bench{s, h}
}

// send has the bot write, with rows of button labels under the text.
func (b *bench) send(t *testing.T, chat int64, text string, rows ...[]string) int {
	t.Helper()
	var keys [][]map[string]string
	for r, row := range rows {
		keys = append(keys, nil)
		for c, label := range row {
			keys[r] = append(keys[r], map[string]string{"text": label, "callback_data": fmt.Sprintf("t-%d-%d", r, c)})
		}
	}
	params := map[string]any{"chat_id": chat, "text": text}
	if keys != nil {
		params["reply_markup"] = map[string]any{"inline_keyboard": keys}
	}
	if r := b.call(t, "sendMessage", params); !r.OK {
		t.Fatalf("%+v", r)
	}
	all := b.Messages(chat)
	return all[len(all)-1].ID
}

func (b *bench) sendFile(t *testing.T, chat string, method, field, name, caption string, data []byte) {
	t.Helper()
	body, kind := parts(t, map[string]string{"chat_id": chat, "caption": caption}, field, name, data)
	if r := b.post(t, method, kind, body); !r.OK {
		t.Fatalf("%+v", r)
	}
}

// fill plays part of an invented day.
func (b *bench) fill(t *testing.T) {
	t.Helper()
	say := func(chat int64, text string) {
		t.Helper()
		if _, err := b.Write(chat, text); err != nil {
			t.Fatal(err)
		}
		b.clock.forward(time.Minute)
	}
	b.clock.forward(-24 * time.Hour)
	b.send(t, 104, "Zofia, tomorrow: letrozole 5 mg by mouth at 08:00, tablet 3 of 5. Nothing else is due.")
	b.send(t, 101, "Maribel, el lunes 2 de marzo abrimos a las 07:00. Escríbanos cuando le baje la regla.")
	b.clock.forward(24 * time.Hour)
	b.send(t, 104, "Letrozole 5 mg was due at 08:00. Have you taken it?", []string{"Taken", "Not yet"}, []string{"I missed it", "Ask a nurse"})
	b.clock.forward(4 * time.Minute)
	say(104, "taken, but I feel a bit dizzy and my left side hurts since last night")
	b.send(t, 104, "Thank you. Your dose is noted.\n\nAbout the pain: if it becomes strong, or you feel faint, call 911 now. The clinic's own instructions come before anything written here.\n\nBastian Quoy has been told and will answer in this chat.")
	b.send(t, 202, "Case 14, same day. Zofia Arkell, cycle day 5, letrozole.\nShe wrote at 12:19: “taken, but I feel a bit dizzy and my left side hurts since last night”\nRule: pelvic pain on one side under stimulation. Unanswered cases go to Tamsin Orrel at 12:49.",
		[]string{"Take it", "Answer"}, []string{"Give to…", "Open the chart"})
	b.send(t, 201, "Case 13, routine. Greta Solvay-Finch asks for a follow-up visit.", []string{"Take it", "Answer"})
	say(202, "/open")
	b.send(t, 202, "Open cases: 2. Yours: none.\n14  same day   Zofia Arkell   pain on one side   1 min\n13  routine      Greta Solvay-Finch   follow-up visit   3 h")
	b.sendFile(t, "104", "sendDocument", "document", "calendar.ics", "Your days as they stand now.", []byte(strings.Repeat("BEGIN:VEVENT\n", 160)))
	var picture bytes.Buffer
	img := image.NewGray(image.Rect(0, 0, 320, 150))
	for i := range img.Pix {
		img.Pix[i] = color.Gray{Y: uint8(150 + (i/7)%60)}.Y
	}
	if err := png.Encode(&picture, img); err != nil {
		t.Fatal(err)
	}
	b.sendFile(t, "104", "sendPhoto", "photo", "way-in.png", "The way in on Wednesday: side door, second floor.", picture.Bytes())
	for i, c := range cast[4:9] {
		b.clock.forward(time.Duration(i) * time.Minute)
		b.send(t, c.Chat, "Reminder of your visit: tomorrow at 07:20, side door.", []string{"I will be there"})
	}
	b.send(t, 104, "Do you still have the pain?", []string{"Yes", "No"}, []string{"It is worse"})
}

func get(t *testing.T, address string) (*http.Response, string) {
	t.Helper()
	resp, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(body)
}

func TestPageLoadsNothingFromElsewhere(t *testing.T) {
	t.Parallel()
	b := clinic(t)
	resp, body := get(t, b.URL()+"/")
	if resp.StatusCode != 200 || !strings.Contains(body, "Larkmoor Reproductive Care") {
		t.Fatalf("%d %s", resp.StatusCode, body)
	}
	if csp := resp.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
		t.Errorf("policy %q", csp)
	}
	for _, name := range []string{"/page/page.css", "/page/page.js"} {
		resp, text := get(t, b.URL()+name)
		if resp.StatusCode != 200 || strings.Contains(text, "http://") || strings.Contains(text, "https://") || strings.Contains(text, "innerHTML") {
			t.Errorf("%s: %d, or it points elsewhere, or it inserts markup", name, resp.StatusCode)
		}
	}
	if resp, _ := get(t, b.URL()+"/page/page.html"); resp.StatusCode != 404 {
		t.Error("the bare template is served")
	}
}

func TestPageKeepsButtonTokensToItself(t *testing.T) {
	t.Parallel()
	b := clinic(t)
	b.send(t, 104, "Dose?", []string{"Taken"})
	if _, body := get(t, b.URL()+"/state"); !strings.Contains(body, "Taken") || strings.Contains(body, "t-0-0") {
		t.Errorf("state: %s", body)
	}
}

func TestPageActions(t *testing.T) {
	t.Parallel()
	b := clinic(t)
	id := b.send(t, 104, "Dose?", []string{"Taken"})
	for name, tc := range map[string]struct {
		body, want string
		code       int
	}{
		"write":         {`{"do":"write","chat":104,"text":"hello"}`, `""`, 200},
		"empty":         {`{"do":"write","chat":104,"text":""}`, "1 to 4096", 409},
		"press":         {fmt.Sprintf(`{"do":"press","chat":104,"message":%d}`, id), `""`, 200},
		"press nothing": {`{"do":"press","chat":104,"message":999}`, "no such button", 409},
		"voice":         {`{"do":"send","chat":104,"text":"voice"}`, `""`, 200},
		"next":          {`{"do":"next"}`, "10:00 dose", 200},
		"forward":       {`{"do":"forward","text":"1h"}`, `""`, 200},
		"backward":      {`{"do":"forward","text":"-1h"}`, "moves forward", 409},
		"unknown":       {`{"do":"sing"}`, "does not know", 409},
		"no JSON":       {`sing`, "JSON", 400},
	} {
		t.Run(name, func(t *testing.T) {
			resp, err := http.Post(b.URL()+"/act", "application/json", strings.NewReader(tc.body))
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = resp.Body.Close() }()
			body, _ := io.ReadAll(resp.Body)
			if resp.StatusCode != tc.code || !strings.Contains(string(body), tc.want) {
				t.Errorf("%d %s, want %d %q", resp.StatusCode, body, tc.code, tc.want)
			}
		})
	}
}

func TestAttachmentsAreSavedNotShown(t *testing.T) {
	t.Parallel()
	b := clinic(t)
	b.sendFile(t, "104", "sendDocument", "document", "evil\".html", "", []byte("<script>alert(1)</script>"))
	id := b.Messages(104)[0].File.ID
	resp, _ := get(t, b.URL()+"/attachment/"+id)
	if how := resp.Header.Get("Content-Disposition"); !strings.HasPrefix(how, "attachment;") {
		t.Errorf("disposition %q", how)
	}
	if kind := resp.Header.Get("Content-Type"); kind != "application/octet-stream" {
		t.Errorf("type %q", kind)
	}
	if resp, _ := get(t, b.URL()+"/attachment/none"); resp.StatusCode != 404 {
		t.Errorf("no such file: %d", resp.StatusCode)
	}
}

// browser starts a browser, or skips the test where there is none.
func browser(t *testing.T, width, height int, dark bool) context.Context {
	t.Helper()
	var found string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			found = p
			break
		}
	}
	if found == "" {
		t.Skip("no Chromium on this machine: the page is not tried in a browser")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(found),
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WindowSize(width, height), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true))
	if dark {
		options = append(options, chromedp.Flag("blink-settings", "preferredColorScheme=0"))
	}
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

func TestPageInABrowser(t *testing.T) {
	b := clinic(t)
	b.fill(t)
	ctx := browser(t, 1400, 900, false)
	run := func(what string, actions ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(ctx, actions...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	// until waits for a JavaScript condition on the page.
	until := func(what, condition string) { t.Helper(); run(what, chromedp.Poll[chromedp.Void](condition)) }

	run("open", chromedp.Navigate(b.URL()+"/"), chromedp.WaitVisible(`[data-chat="104"]`))
	run("choose", chromedp.Click(`[data-chat="104"]`))
	until("her conversation", `document.querySelector("#name-patient").textContent === "Zofia Arkell"`)

	run("write", chromedp.SendKeys("#text-patient", "<b>markup</b> arrives as text\r"))
	until("own line", `[...document.querySelectorAll("#lines-patient .said")].some(e => e.textContent === "<b>markup</b> arrives as text")`)

	id := b.send(t, 104, "Pressed yet?", []string{"Press me"})
	pressed := make(chan loopback.Event, 9)
	defer b.Watch(func(e loopback.Event) { pressed <- e })()
	sel := fmt.Sprintf(`[data-id="%d"] .rows button`, id)
	run("press", chromedp.WaitVisible(sel), chromedp.Click(sel))
	if e := <-pressed; e.Kind != "pressed" || e.Chat != 104 {
		t.Errorf("%+v", e)
	}
	b.call(t, "editMessageReplyMarkup", map[string]any{"chat_id": 104, "message_id": id})
	until("spent buttons vanish", fmt.Sprintf(`!document.querySelector('[data-id="%d"] .rows')`, id))

	b.send(t, 203, "A case for you")
	until("an unread mark", `document.querySelector('[data-chat="203"] .count').textContent === "1"`)
	want := b.clock.now().In(mustZone(t)).Add(time.Hour).Format("15:04")
	run("forward", chromedp.Click(`[data-clock="1h"]`))
	until("the clock moved", fmt.Sprintf(`document.querySelector("#hour").textContent === %q`, want))
	run("next", chromedp.Click(`[data-clock="next"]`))
	until("what happened", `document.querySelector("#said").textContent.includes("10:00 dose")`)
	day := b.clock.now().In(mustZone(t)).AddDate(0, 0, 1).Format("Monday 2 January 2006")
	run("the key for a day", chromedp.KeyEvent("d"))
	until("a day later", fmt.Sprintf(`document.querySelector("#day").textContent === %q`, day))

	run("block", chromedp.Click("#form-patient summary"), chromedp.Click("#form-patient [data-block]"))
	until("it shows", `document.querySelector("#note-patient").textContent === "has blocked the clinic"`)
	run("unblock", chromedp.Click("#form-patient summary"), chromedp.Click("#form-patient [data-block]"))
	until("it shows", `document.querySelector("#note-patient").textContent.startsWith("cycle day")`)

	b.send(t, 104, "The newest of all")
	until("the log", `document.querySelector("#log button").textContent.includes("The newest of all")`)
	for _, width := range []int64{1400, 900, 420} {
		run("narrow it", chromedp.EmulateViewport(width, 800))
		until(fmt.Sprint("nothing sticks out at ", width), `document.documentElement.scrollWidth <= innerWidth`)
		over, err := chromedp.Run(ctx, chromedp.Evaluate[string](overlapping))
		if err != nil || over != "" {
			t.Errorf("at %d pixels: %s cover each other (%v)", width, over, err)
		}
	}
}

// overlapping names two controls that cover each other, or is empty.
const overlapping = `(() => {
	const seen = [...document.querySelectorAll("button, summary, textarea, a")].filter(e => e.checkVisibility() && !e.closest(".lines, #log"));
	const clip = (e) => { // a list shows only a part of itself
		const a = e.getBoundingClientRect(), c = (e.closest(".who") || document.body).getBoundingClientRect();
		return { left: Math.max(a.left, c.left), right: Math.min(a.right, c.right), top: Math.max(a.top, c.top), bottom: Math.min(a.bottom, c.bottom) };
	};
	const boxes = seen.map(e => [e, clip(e)]);
	for (const [a] of boxes) if (a.scrollWidth > a.clientWidth + 1) return a.textContent.trim() + " and what lies beside it";
	for (const [a, x] of boxes) for (const [b, y] of boxes) {
		if (a !== b && x.right > y.left + 1 && y.right > x.left + 1 && x.bottom > y.top + 1 && y.bottom > x.top + 1)
			return a.textContent.trim() + " and " + b.textContent.trim();
	}
	return "";
})()`

func mustZone(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// TestPictures leaves pictures of the page where -pictures says.
func TestPictures(t *testing.T) {
	if *pictures == "" {
		t.Skip("no -pictures directory given: no pictures taken")
	}
	address := *running
	if address == "" {
		b := clinic(t)
		b.fill(t)
		address = b.URL()
	}
	for _, p := range []struct {
		name          string
		width, height int
		dark          bool
	}{{"wide", 1400, 900, false}, {"wide-dark", 1400, 900, true}, {"middle", 900, 800, false}, {"phone", 420, 860, false}, {"phone-dark", 420, 860, true}} {
		ctx := browser(t, p.width, p.height, p.dark)
		err := chromedp.Do(ctx, chromedp.EmulateViewport(int64(p.width), int64(p.height)),
			chromedp.Navigate(address+"/"), chromedp.WaitVisible(`[data-chat="104"]`), chromedp.Click(`[data-chat="104"]`),
			chromedp.WaitVisible(`#form-patient`))
		if err != nil {
			t.Fatal(err)
		}
		shot, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(*pictures, p.name+".png"), shot, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
