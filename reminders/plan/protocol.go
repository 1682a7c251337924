package plan

import (
	"embed"
	"fmt"
	"reflect"
	"slices"
	"strings"
)

// StepName names a step of the cycle.
type StepName string

// The steps, in the order in which they are listed.
const (
	Baseline           StepName = "baseline"
	Stimulation        StepName = "stimulation"
	LiningEstrogen     StepName = "estrogen"
	Monitoring         StepName = "monitoring"
	Surge              StepName = "surge"
	Trigger            StepName = "trigger"
	LutealEstrogen     StepName = "luteal_estrogen"
	LutealProgesterone StepName = "luteal_progesterone"
	Transfer           StepName = "transfer"
	HCGFirst           StepName = "hcg_first"
	HCGRepeat          StepName = "hcg_repeat"
	HCGDay4            StepName = "hcg_day_4"
	HCGDay7            StepName = "hcg_day_7"
	Call               StepName = "call"
	OBUltrasound       StepName = "ob_ultrasound"
	LutealEnd          StepName = "luteal_end"
	Handover           StepName = "handover"
	FollowUp           StepName = "follow_up"
)

// StepNames has every step in listing order.
var StepNames = []StepName{Baseline, Stimulation, LiningEstrogen, Monitoring, Surge, Trigger, LutealEstrogen,
	LutealProgesterone, Transfer, HCGFirst, HCGRepeat, HCGDay4, HCGDay7, Call, OBUltrasound, LutealEnd, Handover, FollowUp}

// Fit is the rule by which a step finds its day.
type Fit string

// The fitting rules; the head of the protocol table says what each does.
const (
	FitClinic  Fit = "clinic"
	FitPair    Fit = "pair"
	FitLab     Fit = "lab"
	FitEvening Fit = "evening"
	FitCourse  Fit = "course"
	FitStart   Fit = "start"
	FitEnd     Fit = "end"
	FitDated   Fit = "dated"
	FitAwaited Fit = "awaited"
)

// Count is what the numbers of a window count.
type Count string

// The counts.
const (
	CountCycleDay  Count = "cycle_day"
	CountDays      Count = "days"
	CountGestation Count = "gestation"
	CountEmbryo    Count = "embryo"
)

// Condition is something that must be so for a row of the table to count.
type Condition string

// The conditions.
const (
	WhenSurge      Condition = "surge"
	WhenTablets    Condition = "tablets"
	WhenInjections Condition = "injections"
	WhenBoth       Condition = "both"
	WhenRescan     Condition = "rescan"
	WhenUnclear    Condition = "unclear"
	WhenPoorRise   Condition = "poor_rise"
	WhenNegative   Condition = "negative"
	WhenLost       Condition = "lost"
	WhenUncertain  Condition = "uncertain_scan"
	WhenOngoing    Condition = "ongoing"
	WhenUnknown    Condition = "unknown_location"
	WhenFollowed   Condition = "followed"
	WhenEctopic    Condition = "ectopic"

	WhenMethotrexate Condition = "methotrexate"
)

// The anchors that are no steps.
const (
	anchorDayOne     = "cycle_day_one"
	anchorSurge      = "lh_surge"
	anchorLast       = "last"
	anchorLastHCG    = "last_hcg"
	anchorInjections = "injection_doses"
	anchorPath       = "path"
	anchorFollowed   = "followed"

	anchorMethotrexate = "methotrexate"
)

var (
	fits       = []Fit{FitClinic, FitPair, FitLab, FitEvening, FitCourse, FitStart, FitEnd, FitDated, FitAwaited}
	counts     = []Count{CountCycleDay, CountDays, CountGestation, CountEmbryo}
	conditions = []Condition{WhenSurge, WhenTablets, WhenInjections, WhenBoth, WhenRescan, WhenUnclear,
		WhenPoorRise, WhenNegative, WhenLost, WhenUncertain, WhenOngoing, WhenUnknown, WhenFollowed, WhenEctopic, WhenMethotrexate}
	factAnchors = []string{anchorDayOne, anchorSurge, anchorLast, anchorLastHCG, anchorInjections, anchorPath, anchorFollowed, anchorMethotrexate}
)

// Window is when a step may fall, in the count of its rule. ByEmbryoDay gives
// the one day of a step that depends on the embryo's age, by that age.
type Window struct {
	From        int         `yaml:"from"`
	Preferred   int         `yaml:"preferred"`
	To          int         `yaml:"to"`
	ByEmbryoDay map[int]int `yaml:"by_embryo_day"`
}

// Rule is one row of a protocol table; the embedded tables explain the columns.
type Rule struct {
	Rule        string      `yaml:"rule"`
	Step        StepName    `yaml:"step"`
	When        Condition   `yaml:"when"`
	Anchor      string      `yaml:"anchor"`
	Count       Count       `yaml:"count"`
	From        int         `yaml:"from"`
	Preferred   int         `yaml:"preferred"`
	To          int         `yaml:"to"`
	ByEmbryoDay map[int]int `yaml:"by_embryo_day"`
	Fit         Fit         `yaml:"fit"`
	With        StepName    `yaml:"with"`
	Fact        FactKind    `yaml:"fact"`
	Drugs       []DrugClass `yaml:"drugs"`
	Ordered     bool        `yaml:"ordered"`
	Cleared     bool        `yaml:"cleared"`
	PassedBy    []FactKind  `yaml:"passed_by"`
	DroppedWhen []Condition `yaml:"dropped_when"`
	Phrase      string      `yaml:"phrase"`
	// Include stands for the rows of an embedded file; such a row says nothing
	// else.
	Include string `yaml:"include"`

	at string // where it stands in its file, for faults
}

// window is the rule's own window.
func (r Rule) window() Window { return Window{r.From, r.Preferred, r.To, r.ByEmbryoDay} }

// Protocol is the table of steps of one kind of cycle.
type Protocol struct {
	Name string `yaml:"protocol"`
	// Explains says in a sentence or two what kind of cycle it is.
	Explains string `yaml:"explains"`
	Rows     []Rule `yaml:"rows"`
}

//go:embed stimulated.yaml natural.yaml programmed.yaml after_transfer.yaml
var tableFiles embed.FS

// shared are the rows that a table takes in by the name of their file.
var shared = map[string][]Rule{"after_transfer": mustRows("after_transfer.yaml")}

var protocols = mustProtocols(mustRead("stimulated.yaml"), mustRead("natural.yaml"), mustRead("programmed.yaml"))

func mustRead(name string) []byte {
	b, err := tableFiles.ReadFile(name)
	if err != nil {
		panic("the embedded tables: " + err.Error())
	}
	return b
}

func mustRows(name string) []Rule {
	var file struct {
		Rows []Rule `yaml:"rows"`
	}
	if err := Strict(mustRead(name), &file); err != nil {
		panic(name + ": " + err.Error())
	}
	return file.Rows
}

func mustProtocols(files ...[]byte) []Protocol {
	var out []Protocol
	for _, b := range files {
		p, err := ParseProtocol(b)
		if err != nil {
			panic("an embedded protocol: " + err.Error())
		}
		out = append(out, p)
	}
	return out
}

// Protocols has the embedded tables.
func Protocols() []Protocol { return slices.Clone(protocols) }

func protocolNames(tables []Protocol) []string {
	var names []string
	for _, t := range tables {
		names = append(names, t.Name)
	}
	return names
}

// tables are the clinic's own protocols and those embedded ones that they do
// not take the place of.
func (p Policy) tables() []Protocol {
	out := slices.Clone(p.Protocols)
	for _, t := range protocols {
		if !slices.Contains(protocolNames(p.Protocols), t.Name) {
			out = append(out, t)
		}
	}
	return out
}

// ProtocolNames are the tables that a cycle may be planned by, the policy's own
// first.
func (p Policy) ProtocolNames() []string { return protocolNames(p.tables()) }

// Protocol is the table that the policy plans by where no fact chooses another.
func (p Policy) Protocol() (Protocol, bool) { return p.ProtocolNamed(p.Calendar.Protocol) }

// ProtocolNamed is the table of that name.
func (p Policy) ProtocolNamed(name string) (Protocol, bool) {
	tables := p.tables()
	i := slices.Index(protocolNames(tables), name)
	if i < 0 {
		return Protocol{}, false
	}
	return tables[i], true
}

// RepeatAfter is how many days after the first hCG its repeat lies, by a protocol's table;
// false where the table knows no repeat.
func (p Policy) RepeatAfter(protocol string) (Window, bool) {
	table, _ := p.ProtocolNamed(protocol)
	for _, r := range table.Rows {
		if r.Step != HCGRepeat || r.Anchor != string(HCGFirst) {
			continue
		}
		if w, set := p.Windows[r.Rule]; set {
			return w, true
		}
		return r.window(), true
	}
	return Window{}, false
}

// ParseProtocol reads a protocol table. A step without an anchor, or one whose
// anchor comes later or nowhere, is refused. Its error is Faults, all at once.
func ParseProtocol(b []byte) (Protocol, error) {
	var p Protocol
	fs := strict(b, &p)
	p.expand("", &fs)
	p.check("", &fs)
	if err := fs.Or(); err != nil {
		return Protocol{}, err
	}
	return p, nil
}

// expand puts the rows of other files where a row includes them.
func (p *Protocol) expand(prefix string, fs *Faults) {
	var rows []Rule
	for i, r := range p.Rows {
		r.at = fmt.Sprintf("%srows[%d]", prefix, i)
		if r.Include == "" {
			rows = append(rows, r)
			continue
		}
		more, known := shared[r.Include]
		if alone := (Rule{Include: r.Include, at: r.at}); !known || !reflect.DeepEqual(r, alone) {
			fs.add(r.at+".include", r.Include, "must be the only word of its row and one of "+strings.Join(sortedKeys(shared), ", "))
		}
		for _, m := range more {
			m.at = r.at + "." + m.Rule
			rows = append(rows, m)
		}
	}
	p.Rows = rows
}

// check notes what is wrong with a table; prefix leads the names of its fields.
func (p Protocol) check(prefix string, fs *Faults) {
	if p.Name == "" {
		fs.add(prefix+"protocol", "nothing", "must name the protocol")
	}
	if len(p.Rows) == 0 {
		fs.add(prefix+"rows", "nothing", "must list at least one step")
	}
	seen := map[string]bool{}
	planned := map[StepName]bool{}
	for _, r := range p.Rows {
		path := r.at
		if r.Rule == "" || seen[r.Rule] {
			fs.add(path+".rule", r.Rule, "must be a name that no other row has")
		}
		seen[r.Rule] = true
		r.check(path, planned, fs)
		planned[r.Step] = true
	}
}

func (r Rule) check(path string, planned map[StepName]bool, fs *Faults) {
	oneOf(fs, path+".step", r.Step, StepNames)
	oneOf(fs, path+".fit", r.Fit, fits)
	oneOf(fs, path+".count", r.Count, counts)
	if r.When != "" {
		oneOf(fs, path+".when", r.When, conditions)
	}
	if r.Fact != "" {
		oneOf(fs, path+".fact", r.Fact, factKinds)
	}
	for i, c := range r.Drugs {
		oneOf(fs, fmt.Sprintf("%s.drugs[%d]", path, i), c, drugClasses)
	}
	for i, k := range r.PassedBy {
		oneOf(fs, fmt.Sprintf("%s.passed_by[%d]", path, i), k, factKinds)
	}
	for i, c := range r.DroppedWhen {
		oneOf(fs, fmt.Sprintf("%s.dropped_when[%d]", path, i), c, conditions)
	}
	if !slices.Contains(factAnchors, r.Anchor) && !planned[StepName(r.Anchor)] {
		fs.add(path+".anchor", quoted(r.Anchor), "must be a step of an earlier row or one of "+strings.Join(factAnchors, ", "))
	}
	if (r.Fit == FitPair || r.Fit == FitEvening || r.Fit == FitDated) && !slices.Contains(StepNames, r.With) {
		fs.add(path+".with", quoted(string(r.With)), "must name the step that is fitted together with this one")
	}
	if ordered := r.Fit == FitCourse || r.Fit == FitStart || r.Fit == FitDated || r.Fit == FitEnd; ordered && len(r.Drugs) == 0 {
		fs.add(path+".drugs", "nothing", "must list the drug classes, since "+string(r.Fit)+" follows their orders")
	}
	r.window().check(path, r.Count, fs)
	if r.Phrase == "" {
		fs.add(path+".phrase", "nothing", "must be the key of the step's words")
	}
}

// check notes what is wrong with a window counted in c.
func (w Window) check(path string, c Count, fs *Faults) {
	if c == CountEmbryo {
		for _, age := range []int{3, 5, 6} {
			if n, ok := w.ByEmbryoDay[age]; !ok || n < 1 || n > 14 {
				fs.add(fmt.Sprintf("%s.by_embryo_day.%d", path, age), n, "must be 1 to 14 days")
			}
		}
		return
	}
	if len(w.ByEmbryoDay) > 0 {
		fs.add(path+".by_embryo_day", w.ByEmbryoDay, "only where the count is embryo")
	}
	if w.From > w.Preferred || w.Preferred > w.To {
		fs.add(path, fmt.Sprintf("%d, %d, %d", w.From, w.Preferred, w.To), "from, preferred and to must rise")
	}
	least, most := 0, 366
	if c == CountCycleDay {
		least = 1
	}
	if w.From < least || w.To > most {
		fs.add(path, fmt.Sprintf("%d to %d", w.From, w.To), fmt.Sprintf("must lie within %d to %d", least, most))
	}
}

func oneOf[T ~string](fs *Faults, field string, got T, allowed []T) {
	if slices.Contains(allowed, got) {
		return
	}
	words := make([]string, len(allowed))
	for i, a := range allowed {
		words[i] = string(a)
	}
	fs.add(field, quoted(string(got)), "must be one of "+strings.Join(words, ", "))
}

func quoted(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}
