package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage/desk"
)

const demoArgs = "[--port N] [--data FOLDER] [--storybook]"

// runDemo is the invented clinic on this machine: the program as it runs live,
// against a chat platform of its own on 127.0.0.1 and a clock that can be moved.
func runDemo(ctx context.Context, args []string, e env) error {
	flags := newFlags("demo")
	port := flags.Int("port", 0, "")
	data := flags.String("data", "", "")
	storybook := flags.Bool("storybook", false, "")
	if err := parse(flags, args, demoArgs); err != nil {
		return err
	}
	folder := *data
	if folder == "" {
		temporary, err := os.MkdirTemp("", "handrail-demo-")
		if err != nil {
			return fmt.Errorf("make a folder for the demo: %w", err)
		}
		defer os.RemoveAll(temporary)
		folder = temporary
	}
	d, err := newDemo(ctx, folder, *port, *storybook, slog.New(slog.NewTextHandler(e.stderr, nil)))
	if err != nil {
		return err
	}
	defer d.close()
	fmt.Fprintf(e.stdout, "%s\n", d.server.URL())
	return d.run(ctx)
}

// demo is a running invented clinic whose clock a person moves.
type demo struct {
	*stage
	folder string
	move   sync.Mutex // one movement of the clock at a time
}

// newDemo makes the clinic in a folder, and fills it where it is new.
func newDemo(ctx context.Context, folder string, port int, storybook bool, log *slog.Logger) (*demo, error) {
	policy := plan.DefaultPolicy()
	script, err := readScenario()
	if err != nil {
		return nil, fmt.Errorf("the scenario: %w", err)
	}
	start, err := script.at(policy.Location())
	if err != nil {
		return nil, err
	}
	if start, err = resumeAt(filepath.Join(folder, clockFile), start); err != nil {
		return nil, err
	}
	master, err := demoKey(filepath.Join(folder, "key"))
	if err != nil {
		return nil, err
	}
	d := &demo{folder: folder}
	pages, err := listenForDesk(deskConfig{Listen: "127.0.0.1:0"})
	if err != nil {
		return nil, err
	}
	d.stage, err = newStage(ctx, clock.NewVirtual(start), loopback.Config{
		Address: fmt.Sprintf("127.0.0.1:%d", port),
		Demo: &loopback.Demo{Title: policy.Clinic.Name, Zone: policy.Location(), People: script.contacts, Next: d.next, Forward: d.forward,
			DeskURL: "http://" + pages.Addr().String() + "/guest/" + script.Staff[0].Handle},
	}, setting{database: filepath.Join(folder, "demo.sqlite"), durability: store.Full, master: master, policy: policy, log: log})
	if err != nil {
		return nil, errors.Join(err, pages.Close())
	}
	if err := d.addDesk(ctx, pages, desk.Parts{Storybook: storybook, PolicyText: plan.DefaultPolicyYAML(), URL: "http://" + pages.Addr().String(), Wait: d.linger, Guests: script.handles(), Stay: demoStay}); err != nil {
		return nil, errors.Join(err, d.stage.close())
	}
	return d, d.introduce(ctx, script)
}

// demoStay keeps somebody signed in while the clock is moved by weeks.
var demoStay = desk.Stay{Idle: 120 * 24 * time.Hour, Longest: 365 * 24 * time.Hour}

// linger waits on the demo's clock, as a page that is kept open does.
func (d *demo) linger(ctx context.Context, by time.Duration) error {
	return d.time.Linger(ctx, by, func() {})
}

func (s scenario) handles() (all []string) {
	for _, m := range s.Staff {
		all = append(all, m.Handle)
	}
	return all
}

// introduce lets the people of the scenario be written to, and takes them into an
// empty book.
func (d *demo) introduce(ctx context.Context, s scenario) error {
	for _, c := range s.contacts() {
		d.server.Introduce(loopback.Person{Chat: c.Chat, Name: c.Name, Language: c.Language, Started: true})
	}
	var known int
	if err := d.db.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		all, err := d.book.Patients(ctx, tx)
		known = len(all)
		return err
	}); err != nil || known > 0 {
		return err
	}
	return s.fill(ctx, d.app)
}

func (s scenario) contacts() []loopback.Contact {
	var all []loopback.Contact
	for _, p := range s.Patients {
		all = append(all, loopback.Contact{Chat: p.Chat, Name: p.Handle + " " + p.Name, Side: loopback.Patient, Note: p.Note, Language: p.Language})
	}
	for _, m := range s.Staff {
		all = append(all, loopback.Contact{Chat: m.Chat, Name: m.Name, Side: loopback.Staff, Note: m.Role, Language: m.Languages[0]})
	}
	return all
}

func (d *demo) close() error {
	return errors.Join(d.stage.close(), os.WriteFile(filepath.Join(d.folder, clockFile), []byte(d.time.Now().Format(time.RFC3339Nano)), 0o600))
}

func (d *demo) run(ctx context.Context) error {
	go d.flow(ctx)
	return d.stage.run(ctx)
}

// flow lets the demo's clock run on at the pace of a real one between the jumps.
func (d *demo) flow(ctx context.Context) {
	for clock.System.Sleep(clock.System{}, ctx, time.Second) == nil {
		if d.forward(ctx, time.Second) != nil {
			return
		}
	}
}

// forward moves the clock, through everything that happens meanwhile.
func (d *demo) forward(ctx context.Context, by time.Duration) error {
	d.move.Lock()
	defer d.move.Unlock()
	return d.time.Advance(ctx, d.time.Now().Add(by))
}

// next moves the clock to the next thing that happens.
func (d *demo) next(ctx context.Context) (string, error) {
	d.move.Lock()
	defer d.move.Unlock()
	if err := d.time.Rest(ctx); err != nil {
		return "", err
	}
	at, err := d.dispatcher.NextDue(ctx)
	if err != nil {
		return "", err
	}
	if at.IsZero() {
		return "nothing is planned", nil
	}
	before := len(d.server.Sent())
	if err := d.time.Advance(ctx, at); err != nil {
		return "", err
	}
	return fmt.Sprintf("%d messages went out", len(d.server.Sent())-before), nil
}

// clockFile keeps where the clock of a demo's folder stood: a folder that is used
// again goes on from there.
const clockFile = "clock"

func resumeAt(path string, start time.Time) (time.Time, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return start, nil
	}
	if err != nil {
		return start, fmt.Errorf("the demo's clock: %w", err)
	}
	at, err := time.Parse(time.RFC3339Nano, string(text))
	if err != nil {
		return start, fmt.Errorf("the demo's clock in %s is not a time: delete the folder to begin anew", path)
	}
	return at, nil
}

// demoKey is the key of a demo's folder; a folder that is kept keeps its key.
func demoKey(path string) ([]byte, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		text = []byte(seal.NewMasterKey())
		err = os.WriteFile(path, text, 0o600)
	}
	if err != nil {
		return nil, fmt.Errorf("the demo's key: %w", err)
	}
	return seal.ParseMasterKey(string(text))
}
