package reading

import "testing"

func TestLexiconLoads(t *testing.T) {
	t.Parallel()
	l, err := loadLexicon(lexiconFiles)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d concepts, %d patterns, %d word ids", len(l.concepts), len(l.patterns), l.lastID)
}
