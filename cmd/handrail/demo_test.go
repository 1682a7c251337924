package main

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

var pictureFile = flag.String("picture", "", "write a picture of the demo to this file; look at it before it is kept")

// startDemo runs the demo in this process.
func startDemo(t *testing.T, folder string) *demo {
	t.Helper()
	var log lockedBuffer
	d, err := newDemo(t.Context(), folder, 0, false, slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelWarn})))
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	wait, err := d.start(ctx, d.poller.Run)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		stop()
		wait()
		if err := d.close(); err != nil {
			t.Error(err)
		}
		if log.String() != "" {
			t.Errorf("the demo reported trouble:\n%s", log.String())
		}
	})
	return d
}

// TestTheDemosMorning presses the clock's buttons through three days of the
// invented clinic.
func TestTheDemosMorning(t *testing.T) {
	t.Parallel()
	d := startDemo(t, t.TempDir())
	for range 20 {
		if _, err := d.next(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.forward(t.Context(), 72*time.Hour); err != nil {
		t.Fatal(err)
	}
	// Every patient of the scenario who takes something was asked about it.
	for _, chat := range []int64{104, 106, 107, 108} {
		if len(d.server.Messages(chat)) == 0 {
			t.Errorf("nothing was said to chat %d in three days", chat)
		}
	}
}

// A demo with a folder of its own goes on where it was left.
func TestADemoGoesOnWhereItWasLeft(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	var left time.Time
	t.Run("first", func(t *testing.T) {
		d := startDemo(t, folder)
		if err := d.forward(t.Context(), 5*time.Hour); err != nil {
			t.Fatal(err)
		}
		left = d.time.Now()
	})
	t.Run("again", func(t *testing.T) {
		if d := startDemo(t, folder); d.time.Now().Before(left) {
			t.Errorf("the clock shows %v, it was left at %v", d.time.Now(), left)
		}
	})
}

// browse opens a page in a real browser, or skips the test where there is none.
func browse(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("no Chromium on this machine: the demo is not tried in a browser")
	}
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path),
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WindowSize(1400, 900), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true))...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// TestTheDemoInABrowser is the demo as somebody tries it who reads the README.
func TestTheDemoInABrowser(t *testing.T) {
	d := startDemo(t, t.TempDir())
	go d.flow(t.Context())
	ctx := browse(t)
	run := func(what string, actions ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(ctx, actions...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	sees := func(side, words string) {
		t.Helper()
		run(side+" sees "+words, chromedp.Poll[chromedp.Void](fmt.Sprintf(`document.querySelector("#lines-%s").textContent.includes(%q)`, side, words)))
	}
	press := func(side, label string) {
		t.Helper()
		run("press "+label, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(
			`[...document.querySelectorAll("#lines-%s .rows button")].filter(b => b.textContent === %q).at(-1).click()`, side, label)))
	}
	run("open", chromedp.Navigate(d.server.URL()+"/"), chromedp.WaitVisible(`[data-chat="101"]`))
	run("choose both", chromedp.Click(`[data-chat="101"]`), chromedp.Click(`[data-chat="202"]`))
	run("the period call", chromedp.SendKeys("#text-patient", "me bajó la regla esta mañana\r"))
	sees("patient", "¿El sangrado normal")
	press("patient", "Sí, así es")
	sees("patient", "el día uno de su ciclo es el miércoles 11 de marzo")
	sees("staff", "P-101 Maribel Tosk")
	press("staff", "Take")
	sees("staff", "taken by Bastian Quoy")
	run("the first visit", chromedp.SendKeys("#text-staff", "P-101 visit baseline 2026-03-13 07:40\r"))
	sees("staff", "This moves")
	press("staff", "Save")
	sees("staff", "Saved")
	if *pictureFile != "" {
		savePicture(t, ctx, *pictureFile)
	}
	run("an emergency", chromedp.Click(`[data-chat="108"]`), chromedp.SendKeys("#text-patient", "I'm soaking a pad an hour and I feel faint\r"))
	sees("patient", "Call 911")
	sees("staff", "EMERGENCY")
	run("an hour later", chromedp.Click(`[data-clock="1h"]`))
	run("the ladder rang", chromedp.Poll[chromedp.Void](`document.querySelector('[data-chat="204"] .count').textContent !== ""`))
}

func savePicture(t *testing.T, ctx context.Context, path string) {
	t.Helper()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(path, ".png") || !filepath.IsAbs(path) {
		t.Fatal("name the picture by an absolute path that ends in .png")
	}
	if err := os.WriteFile(path, png, 0o644); err != nil {
		t.Fatal(err)
	}
}
