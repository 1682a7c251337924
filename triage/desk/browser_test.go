package desk_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

var pictures = flag.String("pictures", "", "write pictures of every page to this folder; look at them")

// window is a window of a real browser.
type window struct {
	t   *testing.T
	ctx context.Context
	c   *clinic
}

// chromium starts a real browser, or skips the test where there is none.
func chromium(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("no Chromium on this machine: the desk is not tried in a browser")
	}
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path),
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WindowSize(1280, 900), chromedp.UserDataDir(t.TempDir()), chromedp.Flag("autoplay-policy", "no-user-gesture-required"),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true))...)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// window opens a window of a browser of its own, with its own cookies.
func (c *clinic) window(t *testing.T, browser context.Context) *window {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	return &window{t, ctx, c}
}

func (w *window) run(what string, actions ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	if err := chromedp.Do(w.ctx, actions...); err != nil {
		w.t.Fatalf("%s: %v", what, err)
	}
}

func (w *window) open(path string) {
	w.t.Helper()
	w.run("open "+path, chromedp.Navigate(w.c.server.URL+path), chromedp.WaitVisible("main"))
}

// holds waits until an expression holds.
func (w *window) holds(what, expression string) {
	w.t.Helper()
	var err error
	for until := time.Now().Add(15 * time.Second); time.Now().Before(until); time.Sleep(50 * time.Millisecond) {
		var so bool
		// A page that is just being left does not answer; the next one will.
		if so, err = chromedp.Run(w.ctx, chromedp.Evaluate[bool](expression)); err == nil && so {
			return
		}
	}
	w.t.Fatalf("%s: it does not come (%v)", what, err)
}

func (w *window) sees(words string) {
	w.t.Helper()
	w.holds("sees "+words, fmt.Sprintf(`document.body.innerText.includes(%q)`, words))
}

// A day's worst minutes: an emergency comes in while she writes to another, a
// colleague takes the case that she answers, the connection is cut and comes back.
func TestAMorningInABrowser(t *testing.T) {
	c := open(t)
	first := c.opens("inbox/1", rules.SameDay, "may I take a bath?")
	one, two := c.window(t, chromium(t)), c.window(t, chromium(t))
	one.open("/guest/coordinator")
	one.holds("the queue", `location.pathname === "/now"`)
	one.sees("may I take a bath?")
	two.open("/guest/physician")
	one.open(fmt.Sprintf("/cases/%d", first.ID))
	one.run("writes", chromedp.SendKeys("#words", "Please wait with"))
	one.holds("the line is up", `document.title.includes("(1)")`)

	c.opens("inbox/2", rules.Emergency, "soaking a pad an hour")
	one.holds("the title says it", `document.title.startsWith("⚠ 1")`)
	one.holds("it sounds", `document.body.dataset.sounded === "1"`)
	one.holds("a screen reader is told", `document.querySelector("#said").textContent.includes("emergency")`)
	one.holds("what she wrote stays", `document.querySelector("#words").value === "Please wait with"`)
	two.sees("soaking a pad an hour")

	two.open(fmt.Sprintf("/cases/%d", first.ID))
	two.run("takes it by keyboard", chromedp.Focus("#state button"), chromedp.KeyEvent("\r"))
	two.sees("yours")
	one.sees("with Physician Invented")
	one.run("sends all the same", chromedp.SendKeys("#words", " the bath."), chromedp.Click("#words ~ .hint"), chromedp.Submit("#words"))
	one.sees("has case 1")
	one.holds("her words are still there", `document.querySelector("#words").value === "Please wait with the bath."`)

	one.byKeyboard()

	one.open("/now")
	one.holds("up", `document.querySelector("#line").textContent.includes("by themselves")`)
	address := c.server.Listener.Addr().String()
	c.server.CloseClientConnections()
	_ = c.server.Listener.Close()
	one.sees("The connection is lost")
	one.holds("in red", `getComputedStyle(document.querySelector("#lost")).backgroundColor === "rgb(156, 28, 28)"`)
	c.opens("inbox/3", rules.Emergency, "and I feel faint")
	listener, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	back := &http.Server{Handler: c.site}
	go func() { _ = back.Serve(listener) }()
	t.Cleanup(func() { _ = back.Close() })
	one.holds("it comes back", `document.querySelector("#lost").hidden`)
	one.sees("Open: 3.")
}

// byKeyboard enters a scan and orders the trigger without a mouse.
func (w *window) byKeyboard() {
	w.t.Helper()
	w.open("/patients/P-105")
	w.run("skip to the content", chromedp.Focus(".skip"), chromedp.KeyEvent("\r"))
	w.holds("the content has the focus", `document.activeElement.id === "main"`)
	w.tabTo(`a[href="/patients/P-105/enter/scan"]`)
	w.run("open the form", chromedp.KeyEvent("\r"))
	w.holds("the form", `location.pathname.endsWith("/enter/scan")`)
	w.tabTo("#right_mm")
	w.run("write", chromedp.KeyEvent("18 12"))
	w.tabTo("#lining_mm")
	w.run("write", chromedp.KeyEvent("8.1\r"))
	w.sees("Not saved yet")
	w.sees("lining 8.1 mm")
	w.tabTo(".preview button")
	w.run("save", chromedp.KeyEvent("\r"))
	w.sees("Saved: scan")
	w.sees("right 18 12 mm")
	w.open("/patients/P-105/enter/trigger_order")
	w.run("the minute", chromedp.SetValue("#at", "2026-03-13T21:30"))
	for field, text := range map[string]string{"drug": "choriogonadotropin", "dose": "250", "unit": "mcg", "route": "sc", "product": "pen", "prescriber": "Ashgrove"} {
		w.tabTo("#" + field)
		w.run("write", chromedp.KeyEvent(text))
	}
	w.run("show", chromedp.KeyEvent("\r"))
	w.sees("It counts once a second person has checked it")
	w.tabTo(".preview button")
	w.run("save", chromedp.KeyEvent("\r"))
	w.sees("Put before a second person: trigger order")
}

// tabTo presses the tab key until something has the focus, and sees to it that the
// focus can be seen (WCAG 2.2, 2.4.7).
func (w *window) tabTo(selector string) {
	w.t.Helper()
	for range 120 {
		there, err := chromedp.Run(w.ctx, chromedp.Evaluate[bool](fmt.Sprintf(`document.activeElement.matches(%q)`, selector)))
		if err != nil {
			w.t.Fatal(err)
		}
		if there {
			w.holds("the focus is seen", `getComputedStyle(document.activeElement).outlineStyle !== "none"`)
			return
		}
		w.run("tab", chromedp.KeyEvent("\t"))
	}
	w.t.Fatalf("%s is not reached by keyboard", selector)
}

// pages are those that are looked at, by who looks. {case} is an open case.
var looked = map[string]triage.Role{
	"/enter": "", "/begin": "", "/me": triage.Coordinator, "/now": triage.Coordinator, "/cases/1": triage.Coordinator, "/nothing": "",
	"/tonight?on=2026-03-13": triage.Coordinator, "/day": triage.Coordinator,
	"/clinic/closed": triage.Coordinator, "/patients/P-105/places?step=monitoring": triage.Coordinator,
	"/clinic": triage.Coordinator, "/clinic/rota": triage.Lead, "/clinic/owners": triage.Lead, "/clinic/staff": triage.Administrator, "/clinic/policy": triage.Coordinator,
	"/patients": triage.Coordinator, "/patients/new": triage.Coordinator, "/patients/P-105": triage.Coordinator,
	"/patients/P-105/enter/order": triage.Coordinator, "/patients/P-105/enter/scan": triage.Coordinator, "/patients/P-105/sheet": triage.Physician, "/cases/3/check": triage.Physician,
	"/clinic/arrived": triage.Coordinator, "/clinic/arrived/1?of=P-105": triage.Coordinator, "/cases/1/note": triage.Coordinator, "/patients/P-105/note": triage.Coordinator,
}

// ward opens some cases to look at.
func (c *clinic) ward() {
	words := "I am soaking a pad an hour and I feel faint, no fever"
	span := func(part, finding, state string) triage.Span {
		at := strings.Index(words, part)
		return triage.Span{From: at, To: at + len(part), Finding: finding, State: state}
	}
	c.opens("inbox/1", rules.Emergency, words, span("soaking a pad an hour", "heavy_bleeding", "present"), span("feel faint", "fainting", "present"), span("fever", "fever", "negated"))
	c.later(7 * time.Minute)
	c.opens("inbox/2", rules.SameDay, "and may I still come at eleven?")
	lining := 6.6
	c.enters(plan.Fact{Kind: plan.OrderGiven, Drug: "letrozole", Product: "letrozole 2.5 mg tablets", Route: "oral", Dose: 5, Unit: "mg",
		Times: []civil.TimeOfDay{civil.MustTime("08:00")}, From: civil.MustDate("2026-03-03"), Stop: plan.Stop{AfterDoses: 5}, Prescriber: "Ashgrove"})
	c.enters(plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(11, 9, 40)})
	c.enters(plan.Fact{Kind: plan.Scan, On: civil.MustDate("2026-03-11"), RightMM: []float64{16, 12}, LeftMM: []float64{11}, LiningMM: &lining, Pattern: plan.Trilaminar})
	c.enters(plan.Fact{Kind: plan.LHSurge, On: civil.MustDate("2026-03-11")})
	c.within(func(ctx context.Context, tx *store.Tx) error {
		facts, err := c.care.Facts(ctx, tx, c.staff[triage.Coordinator], c.patient.ID)
		if err != nil {
			return err
		}
		_, err = c.care.Undo(ctx, tx, c.staff[triage.Coordinator], c.patient.ID, facts[len(facts)-1].ID, "another patient's", 0)
		return err
	})
	c.enters(plan.Fact{Kind: plan.TriggerOrder, At: at(13, 21, 30), Drug: "choriogonadotropin", Product: "pen", Route: "sc", Dose: 250, Unit: "mcg", Prescriber: "Ashgrove"})
	c.arrives()
}

// TestEveryPageByPublishedRules runs axe-core, a published rule engine for WCAG 2.2
// (levels A and AA), on every page in light and dark and at three widths.
func TestEveryPageByPublishedRules(t *testing.T) {
	engine, err := os.ReadFile("../../.ci/axe/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Skip("axe-core is not installed: .ci/run does that")
	}
	c := open(t)
	c.ward()
	w := c.window(t, chromium(t))
	for path, role := range looked {
		if role != "" {
			w.run("come in", chromedp.Navigate(c.server.URL+"/guest/"+string(role)))
		}
		for _, scheme := range []string{"light", "dark"} {
			for _, width := range []int64{360, 820, 1280} {
				if *pictures == "" && (width == 820) != (scheme == "dark") {
					continue // each scheme and each width once is enough, but for looking
				}
				w.run("the size", chromedp.EmulateViewport(width, 900))
				if _, err := chromedp.Call(w.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
					Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}); err != nil {
					t.Fatal(err)
				}
				w.open(path)
				w.check(fmt.Sprintf("%s, %s, %d wide", path, scheme, width), string(engine))
				w.picture(fmt.Sprintf("%s-%s-%d.png", strings.Trim(strings.NewReplacer("/", "-", "?", "-", "=", "-").Replace(path), "-"), scheme, width))
			}
		}
	}
}

// check reports what the rules find, and a page that is wider than its window.
func (w *window) check(what, engine string) {
	w.t.Helper()
	var found string
	w.run("load the rules", chromedp.Evaluate[chromedp.Void](engine))
	found, err := chromedp.Run(w.ctx, chromedp.Evaluate[string](`axe.run({runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r => JSON.stringify({
		passes: r.passes.length, faults: r.violations.map(v => v.id + ": " + v.nodes.map(n => n.target.join(" ") + " " + n.failureSummary).join(" | ")),
		wide: document.documentElement.scrollWidth - innerWidth}))`, chromedp.EvalAwaitPromise))
	if err != nil {
		w.t.Fatalf("%s: %v", what, err)
	}
	var r struct {
		Passes int
		Faults []string
		Wide   int
	}
	if err := json.Unmarshal([]byte(found), &r); err != nil || r.Passes < 5 {
		w.t.Fatalf("%s: the rules did not run: %v %s", what, err, found)
	}
	for _, f := range r.Faults {
		w.t.Errorf("%s: %s", what, f)
	}
	if r.Wide > 0 {
		w.t.Errorf("%s: the page is %d px wider than its window", what, r.Wide)
	}
}

func (w *window) picture(name string) {
	w.t.Helper()
	if *pictures == "" {
		return
	}
	png, err := chromedp.Run(w.ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(*pictures, name), png, 0o644)
	}
	if err != nil {
		w.t.Fatal(err)
	}
}
