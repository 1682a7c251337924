package backup

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// The name of a backup tells when it was made, in UTC.
const (
	prefix     = "handrail-"
	suffix     = ".backup"
	nameLayout = "2006-01-02T15-04-05Z"
)

// free is a name for a backup made at now that nobody has yet.
func (m *Maker) free(now time.Time) (string, error) {
	// Two within one second get the seconds after.
	for range 60 {
		path := filepath.Join(m.Folder, prefix+now.UTC().Format(nameLayout)+suffix)
		_, err := os.Lstat(path)
		if errors.Is(err, os.ErrNotExist) {
			return path, nil
		}
		if err != nil {
			return "", err
		}
		now = now.Add(time.Second)
	}
	return "", fmt.Errorf("too many backups are being made in %s", m.Folder)
}

// Kept is a backup in a folder.
type Kept struct {
	Path string
	Made time.Time
}

// List has the backups in a folder, the latest first.
func List(folder string) ([]Kept, error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, err
	}
	var all []Kept
	for _, e := range entries {
		middle, ours := strings.CutPrefix(e.Name(), prefix)
		middle, done := strings.CutSuffix(middle, suffix)
		made, err := time.Parse(nameLayout, middle)
		if ours && done && err == nil && e.Type().IsRegular() {
			all = append(all, Kept{filepath.Join(folder, e.Name()), made})
		}
	}
	slices.SortFunc(all, func(a, b Kept) int { return b.Made.Compare(a.Made) })
	return all, nil
}

// Keep says how many backups stay: the latest of each of the last so many days, weeks
// and months that have one.
type Keep struct {
	Daily   int `yaml:"daily"`
	Weekly  int `yaml:"weekly"`
	Monthly int `yaml:"monthly"`
}

// Spare are those of a list, the latest first, that need not be kept. The latest
// always is.
func (k Keep) Spare(all []Kept, zone *time.Location) (spare []Kept) {
	keep := make([]bool, len(all))
	for _, rule := range []struct {
		n    int
		name func(time.Time) string
	}{
		{k.Daily, func(t time.Time) string { return t.Format(time.DateOnly) }},
		{k.Weekly, func(t time.Time) string { y, w := t.ISOWeek(); return fmt.Sprintf("%d-%d", y, w) }},
		{k.Monthly, func(t time.Time) string { return t.Format("2006-01") }},
	} {
		seen := make(map[string]bool)
		for i, b := range all {
			span := rule.name(b.Made.In(zone))
			if !seen[span] && len(seen) < rule.n {
				seen[span], keep[i] = true, true
			}
		}
	}
	for i, b := range all {
		if i > 0 && !keep[i] {
			spare = append(spare, b)
		}
	}
	return spare
}

// Rotate removes what need not be kept of a folder, and says how many.
func Rotate(folder string, k Keep, zone *time.Location) (int, error) {
	all, err := List(folder)
	if err != nil {
		return 0, err
	}
	spare := k.Spare(all, zone)
	for i, b := range spare {
		if err := os.Remove(b.Path); err != nil {
			return i, err
		}
	}
	return len(spare), nil
}
