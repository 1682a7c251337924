package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// widened is the victim with so many people that changing their keys takes a while.
func widened(t *testing.T) *victim {
	v := newVictim(t)
	v.open(t, func(ctx context.Context, a *app, tx *store.Tx) error {
		for range 4000 {
			if _, err := a.vault.Add(ctx, tx); err != nil {
				return err
			}
		}
		return nil
	})
	return v
}

// rotation is the command on its way.
func (v *victim) rotation(t *testing.T, old, next string) (*exec.Cmd, *bytes.Buffer) {
	cmd := exec.CommandContext(t.Context(), v.binary, "key", "rotate", "--config", v.config)
	cmd.Env = append(os.Environ(), envToken+"="+v.server.Token(), envKey+"="+old, envNewKey+"="+next)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	return cmd, &said
}

// opensWith reads every patient's name with a key.
func (v *victim) opensWith(t *testing.T, key string) bool {
	t.Helper()
	master, err := seal.ParseMasterKey(key)
	if err != nil {
		t.Fatal(err)
	}
	s := v.setting
	s.master = master
	a, err := newApp(t.Context(), s)
	if errors.Is(err, seal.ErrWrongMaster) {
		return false
	}
	if err != nil {
		t.Fatal(err)
	}
	defer a.db.Close()
	if err := a.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		all, err := a.book.Patients(ctx, tx)
		if len(all) != len(v.chats) {
			t.Errorf("%d patients open, want %d", len(all), len(v.chats))
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return true
}

// Killed at any moment, the rotation leaves a database that exactly one of the keys
// opens, whole; run again with the same keys it comes to its end.
func TestRotationKilled(t *testing.T) {
	t.Parallel()
	v := widened(t)
	old := keyOf(v)
	before, after := 0, 0
	for range kills(t) {
		next := seal.NewMasterKey()
		cmd, _ := v.rotation(t, old, next)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(5+rand.IntN(50)) * time.Millisecond)
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		byOld, byNext := v.opensWith(t, old), v.opensWith(t, next)
		if byOld == byNext {
			t.Fatalf("opened by the old key %v, by the new one %v", byOld, byNext)
		}
		if byOld {
			before++
		} else {
			after++
		}
		cmd, said := v.rotation(t, old, next)
		if err := cmd.Run(); err != nil {
			t.Fatalf("%v: %s", err, said)
		}
		if !strings.Contains(said.String(), "delete the old key") {
			t.Errorf("it does not say what to do with the old key: %s", said)
		}
		if v.opensWith(t, old) || !v.opensWith(t, next) {
			t.Fatal("after the rotation the wrong key opens")
		}
		old = next
	}
	t.Logf("killed before the end %d times, after it %d times", before, after)
}

func keyOf(v *victim) string {
	for _, e := range v.env {
		if key, found := strings.CutPrefix(e, envKey+"="); found {
			return key
		}
	}
	return ""
}

// It refuses while the program serves, without a new key, and with the one in use;
// keys are taken from files too, and none is ever printed.
func TestRotationRefuses(t *testing.T) {
	t.Parallel()
	v := newVictim(t)
	old, next := keyOf(v), seal.NewMasterKey()
	unlock, err := lock(v.setting.database + ".lock")
	if err != nil {
		t.Fatal(err)
	}
	file := func(text string) string {
		path := filepath.Join(t.TempDir(), "key")
		if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	rotate := func(env map[string]string) (string, error) {
		env[envToken] = v.server.Token()
		var said bytes.Buffer
		err := run(t.Context(), []string{"key", "rotate", "--config", v.config}, func(name string) string { return env[name] }, nil, &said, &said)
		exitCode(err, &said)
		if strings.Contains(said.String(), old) || strings.Contains(said.String(), next) {
			t.Error("a key is printed")
		}
		return said.String(), err
	}
	for _, c := range []struct {
		name, want string
		env        map[string]string
	}{
		{"serving", "stop it first", map[string]string{envKey: old, envNewKey: next}},
		{"none", envNewKey, map[string]string{envKey: old}},
		{"the same", "in use already", map[string]string{envKey: old, envNewKey: old}},
		{"no key at all", envNewKey, map[string]string{envKey: old, envNewKey: "secret"}},
	} {
		if said, err := rotate(c.env); err == nil || !strings.Contains(said, c.want) {
			t.Errorf("%s: %v, said %q, want %q", c.name, err, said, c.want)
		}
	}
	unlock()
	if said, err := rotate(map[string]string{envKey: seal.NewMasterKey(), envNewKey: next}); err == nil || !strings.Contains(said, "does not fit") {
		t.Errorf("another's key: %v, %q", err, said)
	}
	if said, err := rotate(map[string]string{envKeyFile: file(old), envNewKeyFile: file(next)}); err != nil || !strings.Contains(said, fmt.Sprintf("%d keys", theirNumber+1)) {
		t.Errorf("from files: %v, %q", err, said)
	}
	if said, err := rotate(map[string]string{envKeyFile: file(old), envNewKeyFile: file(next)}); err != nil || !strings.Contains(said, "already") {
		t.Errorf("once more: %v, %q", err, said)
	}
}
