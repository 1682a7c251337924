package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Scan findings and where they lead. The limits of 7 mm without a heartbeat and of an
// empty sac of 25 mm: NICE NG126, and the ultrasound guideline of a Scottish health
// board that restates them; that no single scan settles a loss: NICE QS69, statement 3.
func TestFindingsLeadToPaths(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for found, want := range map[string]Path{
		`"viable":true`:  Ongoing,
		`"viable":false`: Loss,
		``:               EquivocalPath,
		`"site":"intrauterine","sacs":1,"crl_mm":5.2,"heartbeat":true`: Ongoing,
		`"site":"intrauterine","sacs":2,"heartbeat":true`:              Several,
		`"site":"intrauterine","sacs":2,"heartbeat":false,"crl_mm":4`:  RescanPath,
		`"site":"intrauterine","crl_mm":6.9,"heartbeat":false`:         RescanPath,
		`"site":"intrauterine","crl_mm":7,"heartbeat":false`:           SecondLook,
		`"site":"intrauterine","sac_mm":24.9`:                          RescanPath,
		`"site":"intrauterine","sac_mm":25`:                            SecondLook,
		`"site":"intrauterine"`:                                        RescanPath,
		`"site":"intrauterine","heartbeat":false`:                      RescanPath,
		`"site":"tubal"`: Ectopic,
		`"site":"tubal","crl_mm":6,"heartbeat":true`: Ectopic,
		`"site":"elsewhere"`:                         Ectopic,
		`"site":"none"`:                              UnknownLocation,
		`"site":"uncertain"`:                         EquivocalPath,
	} {
		text := `{"fact":"ob_ultrasound","on":"2026-04-10"`
		if found != "" {
			text += "," + found
		}
		f := mustFacts(t, p, "["+text+"}]")[0]
		if got, _ := PathOf(f); got != want {
			t.Errorf("%s: got %s, want %s", found, got, want)
		}
	}
}

// The fall from day 4 to day 7 of methotrexate: by 15 per cent it is followed weekly,
// else a second dose is weighed (Fertil Res Pract 2015 1, table 2; PLoS One 2022,
// PMC9129037). The sources differ at exactly 15; a person is asked there.
func TestFallAfterMethotrexate(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		day4, day7, fall float64
		enough           bool
	}{
		{2000, 1700, 15, false}, {2000, 1699, 15.05, true}, {2000, 1701, 14.95, false}, {2000, 1000, 50, true},
		{2000, 2000, 0, false}, {2000, 2600, -30, false}, {100, 84.9, 15.1, true}, {100, 4, 96, true},
	} {
		enough, fall := FellEnough(c.day4, c.day7)
		if enough != c.enough || math.Abs(fall-c.fall) > 1e-9 {
			t.Errorf("%v to %v: got %v, %v %%", c.day4, c.day7, enough, fall)
		}
	}
}

const afterTransfer = `{"fact":"trigger","at":"2026-03-13T21:30"},{"fact":"transfer","on":"2026-03-20","embryo_day":5,"embryos":1},
	{"fact":"order","id":"fol","drug":"Ácido fólico","dose":400,"unit":"mcg","times":["08:00"],"from":"2026-03-02","stop":"order"},`

// Its day is day 1: day 4 is three days later, day 7 six.
func TestMethotrexateCountsItsDayAsDayOne(t *testing.T) {
	t.Parallel()
	p := alwaysOpen(t, "America/New_York")
	got := built(t, p, "2026-04-16", "["+afterTransfer+`{"fact":"ob_ultrasound","on":"2026-04-15","site":"tubal"},{"fact":"methotrexate","on":"2026-04-16"}]`)
	if a, b := onlyStep(t, got, HCGDay4), onlyStep(t, got, HCGDay7); a.On.String() != "2026-04-19" || b.On.String() != "2026-04-22" {
		t.Errorf("got day 4 on %s and day 7 on %s", a.On, b.On)
	}
	for _, d := range got.Doses {
		if d.Order == "fol" && d.At.Format("2006-01-02") >= "2026-04-16" {
			t.Fatalf("folic acid is still asked about: %s", d.At)
		}
	}
	if !opens(got, "stop/fol", "open_folate") {
		t.Errorf("no stop order is asked for: %s", show(got.Open))
	}
}

func opens(p Plan, key, code string) bool {
	return slices.ContainsFunc(p.Open, func(o OpenEnd) bool { return strings.HasPrefix(o.Key, key) && o.Why.Code == code })
}

// Followed to under 5 IU/L, and not beyond.
func TestFallingIsFollowedToUnderFive(t *testing.T) {
	t.Parallel()
	p := alwaysOpen(t, "America/New_York")
	for name, c := range map[string]struct {
		values string
		path   Path
		next   string
	}{
		"fell by more than half in 48 hours": {hcgs("04-01", 120, "04-03", 59), FallingPath, "2026-04-10"},
		"fell by exactly half":               {hcgs("04-01", 200, "04-03", 100), "", "2026-04-05"},
		"fell a little, once":                {hcgs("04-01", 120, "04-03", 100), "", "2026-04-05"},
		"fell a little, twice":               {hcgs("04-01", 120, "04-03", 100, "04-05", 90), FallingPath, "2026-04-12"},
		"at 5":                               {hcgs("04-01", 120, "04-03", 40, "04-10", 5), FallingPath, "2026-04-17"},
		"under 5":                            {hcgs("04-01", 120, "04-03", 40, "04-10", 4.9), FallingPath, ""},
	} {
		got := built(t, p, "2026-04-17", "["+afterTransfer+c.values+"]")
		next := ""
		for _, s := range got.StepsOf(HCGRepeat) {
			if s.Status != Done && s.Status != Dropped {
				next = s.On.String()
			}
		}
		if got.Path != c.path || next != c.next {
			t.Errorf("%s: got %q, next %q, want %q, next %q", name, got.Path, next, c.path, c.next)
		}
	}
}

func hcgs(pairs ...any) string {
	var out []string
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, fmt.Sprintf(`{"fact":"hcg","at":"2026-%sT08:00","iu_per_l":%v}`, pairs[i], pairs[i+1]))
	}
	return strings.Join(out, ",")
}

// A clinician's conclusion of the same day goes before what the scan alone says, and a
// later scan before the conclusion.
func TestAConclusionGoesBeforeTheScan(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	const small = `{"fact":"ob_ultrasound","on":"2026-04-10","site":"intrauterine","crl_mm":4,"heartbeat":false}`
	for name, c := range map[string]struct {
		facts string
		want  Path
	}{
		"the scan alone": {small, RescanPath},
		"same day":       {small + `,{"fact":"conclusion","on":"2026-04-10","path":"loss"}`, Loss},
		"later":          {small + `,{"fact":"conclusion","on":"2026-04-17","path":"loss"}`, Loss},
		"a later scan":   {small + `,{"fact":"conclusion","on":"2026-04-11","path":"loss"},{"fact":"ob_ultrasound","on":"2026-04-17","site":"intrauterine","crl_mm":9,"heartbeat":true}`, Ongoing},
	} {
		if got := built(t, p, "2026-04-20", "["+afterTransfer+c.facts+"]"); got.Path != c.want {
			t.Errorf("%s: got %s, want %s", name, got.Path, c.want)
		}
	}
}

// A second assessment before a loss is spoken of: NICE QS69, statement 3.
func TestALossAfterOneLookIsFlagged(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	const loss = `{"fact":"conclusion","on":"2026-04-20","path":"loss"}`
	one := `{"fact":"ob_ultrasound","on":"2026-04-13","site":"intrauterine","crl_mm":8,"heartbeat":false},`
	two := one + `{"fact":"ob_ultrasound","on":"2026-04-20","site":"intrauterine","crl_mm":8,"heartbeat":false},`
	for scans, want := range map[string]bool{"": true, one: true, two: false} {
		got := built(t, p, "2026-04-20", "["+afterTransfer+scans+loss+"]")
		flagged := slices.ContainsFunc(got.Conflicts, func(k Conflict) bool { return k.Why.Code == "loss_after_one_look" })
		if flagged != want || got.Path != Loss {
			t.Errorf("%q: flagged %v on %s", scans, flagged, got.Path)
		}
	}
}

func TestRhNegativeStandsOut(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for rh, want := range map[string]bool{"negative": true, "positive": false} {
		got := built(t, p, "2026-04-10", fmt.Sprintf(`[%s{"fact":"rhesus","on":"2026-02-20","rh":%q},{"fact":"ob_ultrasound","on":"2026-04-10","site":"tubal"}]`, afterTransfer, rh))
		if opens(got, "rh/", "open_rh_negative") != want {
			t.Errorf("Rh %s: %s", rh, show(got.Open))
		}
	}
}

// What cannot be right in an early ultrasound is refused with the range.
func TestImplausibleFindingsAreRefused(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for text, want := range map[string]string{
		`{"fact":"ob_ultrasound","on":"2026-04-10","site":"intrauterine","crl_mm":0.5}`:          "enter 1 to 90 mm",
		`{"fact":"ob_ultrasound","on":"2026-04-10","site":"intrauterine","crl_mm":120}`:          "enter 1 to 90 mm",
		`{"fact":"ob_ultrasound","on":"2026-04-10","site":"intrauterine","sac_mm":200}`:          "enter 1 to 80 mm",
		`{"fact":"ob_ultrasound","on":"2026-04-10","site":"womb"}`:                               "intrauterine",
		`{"fact":"ob_ultrasound","on":"2026-04-10","site":"none","crl_mm":5}`:                    "leave the measures out",
		`{"fact":"ob_ultrasound","on":"2026-04-10","crl_mm":5}`:                                  "say where",
		`{"fact":"ob_ultrasound","on":"2026-04-10","site":"intrauterine","sacs":9}`:              "enter 1 to 6",
		`{"fact":"ob_ultrasound","on":"2026-04-10","site":"intrauterine","sac_mm":9,"crl_mm":3}`: "crl_mm or sac_mm",
		`{"fact":"conclusion","on":"2026-04-10","path":"blighted"}`:                              "second_look",
	} {
		if _, err := ParseFacts([]byte("["+text+"]"), p.Location()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want it to say %q", text, err, want)
		}
	}
}

// TestEveryFindingHasAPath: whatever a scan may find, exactly one path follows, and the
// table knows it.
func TestEveryFindingHasAPath(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := Fact{Kind: OBScan, Site: rapid.SampledFrom(append([]Site{""}, sites...)).Draw(t, "site")}
		if rapid.Bool().Draw(t, "measured") {
			f.CRLMM = ptr(rapid.Float64Range(minCRLMM, maxCRL).Draw(t, "crl"))
		}
		f.Heartbeat = rapid.SampledFrom([]*bool{nil, ptr(true), ptr(false)}).Draw(t, "heartbeat")
		path, row := PathOf(f)
		if !slices.Contains(Paths(), path) || row == "" {
			t.Fatalf("%+v leads to %q by %q", f, path, row)
		}
		if path == Loss || path == FallingPath {
			t.Fatalf("a scan alone concludes %s", path)
		}
	})
}

func TestABadTableOfPathsIsRefused(t *testing.T) {
	t.Parallel()
	for name, text := range map[string]string{
		"unknown condition": "paths: [{path: a, counts: [sunny]}]\nfindings: []",
		"unknown reason":    "paths: [{path: a, asks: nothing_known}]\nfindings: []",
		"unknown path":      "paths: [{path: a}]\nfindings: [{row: x, sites: [none], leads_to: b}]",
		"no site":           "paths: [{path: a}]\nfindings: [{row: x, leads_to: a}]",
		"unknown key":       "paths: [{path: a, tells: her}]\nfindings: []",
	} {
		if _, err := parsePaths([]byte(text)); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
