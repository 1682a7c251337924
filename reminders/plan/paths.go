package plan

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"

	"handrail.example/reminders/civil"
)

// Site is where a pregnancy was seen in an ultrasound.
type Site string

// The sites.
const (
	Intrauterine Site = "intrauterine"
	Tubal        Site = "tubal"
	Elsewhere    Site = "elsewhere"
	NothingSeen  Site = "none"
	SiteUnclear  Site = "uncertain"
)

var sites = []Site{Intrauterine, Tubal, Elsewhere, NothingSeen, SiteUnclear}

// Path is what a pregnancy after the transfer has come to, as far as staff have
// entered it. It is for staff only and no diagnosis.
type Path string

// The paths; the head of their table says more.
const (
	Ongoing         Path = "ongoing"
	Several         Path = "several"
	RescanPath      Path = "rescan"
	EquivocalPath   Path = "equivocal"
	SecondLook      Path = "second_look"
	UnknownLocation Path = "unknown_location"
	FallingPath     Path = "falling"
	Loss            Path = "loss"
	Ectopic         Path = "ectopic"
)

// findingRow is one row of the table: which findings lead to which path.
type findingRow struct {
	Row       string  `yaml:"row"`
	Sites     []Site  `yaml:"sites"`
	Heartbeat string  `yaml:"heartbeat"`
	SacsFrom  int     `yaml:"sacs_from"`
	CRLFrom   float64 `yaml:"crl_from"`
	CRLBelow  float64 `yaml:"crl_below"`
	SacFrom   float64 `yaml:"sac_from"`
	SacBelow  float64 `yaml:"sac_below"`
	LeadsTo   Path    `yaml:"leads_to"`
}

// pathRow is what a path leads to.
type pathRow struct {
	Path    Path        `yaml:"path"`
	Counts  []Condition `yaml:"counts"`
	Asks    string      `yaml:"asks"`
	AtOnce  bool        `yaml:"at_once"`
	MayFall bool        `yaml:"may_fall"`
}

// pathTable is the table of both.
type pathTable struct {
	Findings []findingRow `yaml:"findings"`
	Paths    []pathRow    `yaml:"paths"`
}

//go:embed paths.yaml
var pathsFile []byte

var pathsTable = mustPaths(pathsFile)

func mustPaths(b []byte) pathTable {
	t, err := parsePaths(b)
	if err != nil {
		panic("the embedded paths: " + err.Error())
	}
	return t
}

// parsePaths reads a table of paths. Its error is Faults, all at once.
func parsePaths(b []byte) (pathTable, error) {
	var t pathTable
	fs := strict(b, &t)
	for i, p := range t.Paths {
		at := fmt.Sprintf("paths[%d]", i)
		for _, c := range p.Counts {
			oneOf(&fs, at+".counts", c, conditions)
		}
		if _, known := words[p.Asks]; p.Asks != "" && !known {
			fs.add(at+".asks", p.Asks, "must be the code of a reason")
		}
	}
	for i, f := range t.Findings {
		f.check(fmt.Sprintf("findings[%d]", i), t.names(), &fs)
	}
	return t, fs.Or()
}

func (f findingRow) check(at string, paths []Path, fs *Faults) {
	if len(f.Sites) == 0 {
		fs.add(at+".sites", "nothing", "must list at least one site")
	}
	for _, s := range f.Sites {
		oneOf(fs, at+".sites", s, sites)
	}
	oneOf(fs, at+".heartbeat", f.Heartbeat, []string{"", "seen", "absent"})
	oneOf(fs, at+".leads_to", f.LeadsTo, paths)
}

func (t pathTable) names() []Path {
	var all []Path
	for _, p := range t.Paths {
		all = append(all, p.Path)
	}
	return all
}

func (t pathTable) row(p Path) pathRow {
	i := slices.IndexFunc(t.Paths, func(r pathRow) bool { return r.Path == p })
	if i < 0 {
		return pathRow{Path: p}
	}
	return t.Paths[i]
}

// Paths are the names of the paths that a clinician may conclude.
func Paths() []Path { return pathsTable.names() }

// fits reports whether a scan's findings are those of a row.
func (f findingRow) fits(s Fact) bool {
	if !slices.Contains(f.Sites, s.Site) {
		return false
	}
	if f.Heartbeat != "" && (s.Heartbeat == nil || *s.Heartbeat != (f.Heartbeat == "seen")) {
		return false
	}
	if s.Sacs < f.SacsFrom {
		return false
	}
	return inside(s.CRLMM, f.CRLFrom, f.CRLBelow) && inside(s.SacMM, f.SacFrom, f.SacBelow)
}

// inside reports whether a value is at least from and below a limit, where those are
// set; a value that was not measured is inside of nothing.
func inside(v *float64, from, below float64) bool {
	if from == 0 && below == 0 {
		return true
	}
	return v != nil && *v >= from && (below == 0 || *v < below)
}

// PathOf is the path that the findings of one ultrasound lead to, with the row of the
// table that they fit. A verdict that was entered beside them goes before them.
func PathOf(s Fact) (Path, string) {
	switch {
	case s.Viable != nil && *s.Viable:
		return Ongoing, "viable"
	case s.Viable != nil:
		return Loss, "not_viable"
	}
	for _, row := range pathsTable.Findings {
		if row.fits(s) {
			return row.LeadsTo, row.Row
		}
	}
	return EquivocalPath, "uncertain"
}

// Placed is what an early ultrasound saw, in words that other languages know by
// themselves: the site, a number, measures, a heartbeat.
func (f Fact) Placed() []string {
	if f.Site == "" {
		return nil
	}
	what := []string{string(f.Site)}
	if f.Sacs > 0 {
		what = append(what, fmt.Sprintf("× %d", f.Sacs))
	}
	if f.CRLMM != nil {
		what = append(what, fmt.Sprintf("CRL %v mm", *f.CRLMM))
	}
	if f.SacMM != nil {
		what = append(what, fmt.Sprintf("MSD %v mm", *f.SacMM))
	}
	if f.Heartbeat != nil {
		what = append(what, map[bool]string{true: "heartbeat", false: "no heartbeat"}[*f.Heartbeat])
	}
	return what
}

// way is where a pregnancy stands, from when, and why.
type way struct {
	path Path
	on   civil.Date
	why  Reason
}

// findWay is the path by the last conclusion or scan, else by falling values; the
// zero way where nothing says one.
func (b *builder) findWay() way {
	var w way
	if s, ok := b.l.last(OBScan); ok {
		path, row := PathOf(s)
		w = way{path, s.On, because("path_found", "path", string(path), "row", row, "on", s.On.String())}
	}
	if c, ok := b.l.last(Concluded); ok && !c.On.Before(w.on) {
		w = way{c.Path, c.On, because("path_concluded", "path", string(c.Path), "on", c.On.String())}
	}
	falls := b.fell()
	if !falls.IsZero() && (w.path == "" || w.path == UnknownLocation && !falls.Before(w.on)) {
		w = way{FallingPath, falls, because("path_falling", "on", falls.String())}
	}
	return w
}

// checkLoss notes a loss that was concluded after a single look: NICE QS69, statement 3,
// wants a second assessment before.
func (b *builder) checkLoss() {
	c, concluded := b.l.last(Concluded)
	if scans := b.l.of(OBScan); concluded && c.Path == Loss && b.way.path == Loss && len(scans) < 2 {
		b.conflict(Step{Name: OBUltrasound}, because("loss_after_one_look", "on", c.On.String()))
	}
}

// fell is the day from which hCG counts as falling: by more than half in 48 hours
// (NICE NG126: unlikely to go on, not confirmed), or twice in a row. One smaller fall
// is looked at again after 48 hours. Zero while it does not fall.
func (b *builder) fell() civil.Date {
	n := len(b.values)
	if n < 2 || !b.positive() {
		return civil.Date{}
	}
	first, last := b.values[n-2], b.values[n-1]
	falls := func(x, y Fact) bool { return y.IUPerL < x.IUPerL }
	const tolerance = 1e-9
	half := first.IUPerL > 0 && Factor48(first.IUPerL, last.IUPerL, last.At.Sub(first.At)) < 0.5-tolerance
	if falls(first, last) && (half || n > 2 && falls(b.values[n-3], first)) {
		return civil.DateOf(last.At)
	}
	return civil.Date{}
}

// resolved reports whether hCG has come down to that of somebody who is not pregnant.
func (b *builder) resolved() bool {
	n := len(b.values)
	return n > 0 && b.positive() && b.values[n-1].IUPerL < b.pol.HCG.NegativeBelow
}

// setWay lets the rows of the protocol count that belong to the path.
func (b *builder) setWay() {
	b.way = b.findWay()
	for _, c := range pathsTable.row(b.way.path).Counts {
		b.conditions[c] = true
	}
	if b.resolved() {
		b.conditions[WhenFollowed] = false
	}
	if m, given := b.l.last(Methotrexate); given {
		b.mtx = m
		b.conditions[WhenMethotrexate] = true
	}
}

// followedFrom is the day from which hCG that is followed is drawn again.
func (b *builder) followedFrom() civil.Date {
	from := b.way.on
	if n := len(b.values); n > 0 {
		if last := civil.DateOf(b.values[n-1].At); last.After(from) {
			from = last
		}
	}
	return from
}

// openPath puts a path before a person, and what it leaves open.
func (b *builder) openPath(add addOpen) {
	if b.way.path == "" || b.resolved() {
		return
	}
	row, on := pathsTable.row(b.way.path), b.way.on
	if row.Asks != "" && !b.treated() {
		due := b.evening(on)
		if row.AtOnce {
			due = b.morning(on)
		}
		key := "path/" + string(row.Path) + "/" + on.String()
		if row.Asks == "open_scan_uncertain" {
			key = "scan/" + on.String()
		}
		add(key, OBUltrasound, due, because(row.Asks, "on", on.String()))
	}
	if f, known := b.l.one(Rhesus); known && f.Rh == RhNegative && !b.antiDGiven(on) && slices.Contains([]Path{Loss, Ectopic, FallingPath}, b.way.path) {
		add("rh/"+on.String(), "", b.morning(on), because("open_rh_negative", "on", on.String()))
	}
}

// atOnce marks what somebody is called for whatever the hour.
func (b *builder) atOnce(open []OpenEnd) {
	for i := range open {
		if open[i].Step == Call {
			open[i].Now = true // at the hour that she chose, not when the clinic opens
		}
		if path, found := strings.CutPrefix(open[i].Key, "path/"); found {
			name, _, _ := strings.Cut(path, "/")
			open[i].Now = pathsTable.row(Path(name)).AtOnce
		}
	}
}

// treated reports whether the ectopic pregnancy that a path says is being treated.
func (b *builder) treated() bool {
	return b.way.path == Ectopic && !b.mtx.On.IsZero() && !b.mtx.On.Before(b.way.on)
}

// lacking are the items of the hand-over that are required and not on record.
func (b *builder) lacking() []string {
	have := map[string]bool{}
	for _, f := range b.l.of(HandoverItem) {
		have[f.Item] = true
	}
	var out []string
	for _, item := range sortedKeys(b.pol.Handover) {
		if b.pol.Handover[item].Required && !have[item] {
			out = append(out, item)
		}
	}
	return out
}

// checkHandover notes a hand-over that was made without what belongs to it.
func (b *builder) checkHandover() {
	missing := strings.Join(b.lacking(), ", ")
	for i := range b.plan.Steps {
		s := &b.plan.Steps[i]
		if s.Name != Handover || missing == "" {
			continue
		}
		s.Reasons = append(s.Reasons, because("handover_lacks", "items", missing))
		if s.Status == Done {
			b.conflict(*s, because("handover_lacks", "items", missing))
		}
	}
}

// The plausible ranges of an early ultrasound, in mm; at twelve weeks the crown-rump
// length is about 55. The edges are common practice, no source.
const (
	maxSacs          = 6
	minCRLMM, maxCRL = 1, 90
	minSacMM, maxSac = 1, 80
)

// badFindings says what cannot be right in an ultrasound, a conclusion or a blood
// group.
func (f Fact) badFindings() (why, do string) {
	for _, c := range []struct {
		field      string
		got        *float64
		least, top float64
	}{{"crl_mm", f.CRLMM, minCRLMM, maxCRL}, {"sac_mm", f.SacMM, minSacMM, maxSac}} {
		if c.got != nil && (*c.got < c.least || *c.got > c.top) {
			return fmt.Sprintf("%s %v is not plausible", c.field, *c.got), fmt.Sprintf("enter %v to %v mm", c.least, c.top)
		}
	}
	seen := f.Sacs != 0 || f.CRLMM != nil || f.SacMM != nil || f.Heartbeat != nil
	switch {
	case f.Sacs < 0 || f.Sacs > maxSacs:
		return fmt.Sprintf("sacs %d is not plausible", f.Sacs), fmt.Sprintf("enter 1 to %d", maxSacs)
	case f.Site != "" && !slices.Contains(sites, f.Site):
		return fmt.Sprintf("site %q is not known", f.Site), "use one of intrauterine, tubal, elsewhere, none, uncertain"
	case f.Site == NothingSeen && seen:
		return "nothing was seen, and something was measured", "name the site, or leave the measures out"
	case f.Kind == OBScan && f.Site == "" && seen:
		return "site is missing", "say where it was seen: intrauterine, tubal, elsewhere or uncertain"
	case f.CRLMM != nil && f.SacMM != nil:
		return "an empty sac has no crown-rump length", "enter crl_mm or sac_mm"
	case f.Kind == Concluded && !slices.Contains(Paths(), f.Path):
		return fmt.Sprintf("path %q is not known", f.Path), "use one of " + pathList()
	}
	return "", ""
}

func pathList() string {
	var all []string
	for _, p := range Paths() {
		all = append(all, string(p))
	}
	return strings.Join(all, ", ")
}

// antiDGiven reports whether Rh immune globulin was given on the day of a finding or
// after it, so that nobody is asked to decide about it again.
func (b *builder) antiDGiven(finding civil.Date) bool {
	return slices.ContainsFunc(b.l.of(AntiD), func(f Fact) bool { return !f.On.Before(finding) })
}
