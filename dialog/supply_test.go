package dialog

import "testing"

// Only a message that says nothing else is taken for a count.
func TestWhatIsLeftIsReadStrictly(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]float64{
		"I have 4 patches left": 4, "I have four patches left": 4, "4 left": 4, "only 2 tablets left of progesterone": 2, "I've got 12 left!": 12,
		"Me quedan 4 parches": 4, "me quedan cuatro": 4, "Solo me queda una ampolleta": 1, "tengo 6 parches en casa": 6, "0 left": 0,
	} {
		if got, _, ok := remaining(text); !ok || got != want {
			t.Errorf("%q: %v, %v; want %v", text, got, ok, want)
		}
	}
	for _, text := range []string{
		"I have 4 days left", "3 questions left", "I left at 4", "I have 4 patches left and I feel faint", "me quedan 3 dias", "I have pain on my left",
		"none left for today", "me quedan 4 parches y me siento mal", "me quedan 2 para hoy", "I have no tablets left", "me quedan dudas", "4", "there are 2 embryos left", "he left", "",
	} {
		if got, _, ok := remaining(text); ok {
			t.Errorf("%q was taken for %v pieces", text, got)
		}
	}
}
