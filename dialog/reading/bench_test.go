package reading

import (
	"testing"
	"time"
)

// The messages of the benchmark: a short one and one as long as people write
// at night.
var benchTexts = map[string]string{
	"short": "my period started yesterday morning around 9, normal flow",
	"long": "hi its me again sorry for writing so late i couldnt sleep so i had the transfer on tuesday and everything was ok " +
		"i take my progesterone three times a day and i didnt forget any but since this afternoon my belly feels tight and i have " +
		"been going to the bathroom less than usual no fever no bleeding i also wanted to ask if i can move the blood test to the " +
		"afternoon because of work gracias por todo y perdon por la hora",
}

func BenchmarkParse(b *testing.B) {
	sent := time.Date(2026, 3, 10, 2, 15, 0, 0, time.UTC)
	theLexicon()
	for name, text := range benchTexts {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Parse(text, Context{Sent: sent})
			}
		})
	}
}

func BenchmarkLoad(b *testing.B) {
	for b.Loop() {
		if _, err := loadLexicon(lexiconFiles); err != nil {
			b.Fatal(err)
		}
	}
}
