package phrase_test

import (
	"testing"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/reminders/room"
)

// The plan says its reasons in English itself; staff must read the same sentence
// wherever it reaches them.
func TestEveryReasonOfThePlanIsInTheBook(t *testing.T) {
	t.Parallel()
	b := phrase.MustLoad()
	codes := plan.Codes()
	if len(codes) == 0 {
		t.Fatal("the plan has no reasons")
	}
	for code, want := range codes {
		key := "why." + code
		if !b.Has(key) {
			t.Errorf("%s is missing", key)
			continue
		}
		if got := b.Say("en", key, nil); got != want {
			t.Errorf("%s: got %q, want %q", key, got, want)
		}
	}
}

// What the arithmetic says has no words of its own; each of its reasons must be in
// the book.
func TestEveryReasonOfTheReckoningIsInTheBook(t *testing.T) {
	t.Parallel()
	b := phrase.MustLoad()
	codes := reckon.Codes()
	if len(codes) < 20 {
		t.Fatalf("only %d reasons", len(codes))
	}
	for _, code := range codes {
		if !b.Has("why." + code) {
			t.Errorf("why.%s is missing", code)
		}
	}
}

func TestEveryReasonOfRoomIsInTheBook(t *testing.T) {
	t.Parallel()
	b := phrase.MustLoad()
	for _, code := range room.Codes() {
		if !b.Has("why." + code) {
			t.Errorf("why.%s is missing", code)
		}
	}
}
