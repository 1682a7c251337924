package desk

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/picture"
	"handrail.example/triage"
)

//go:embed page
var pages embed.FS

// sheets are the pages of one language, by name.
type sheets map[string]*template.Template

// readSheets reads every page in every language. A page is the frame with its own
// middle.
func readSheets(phrases *phrase.Book, zone *time.Location) (map[string]sheets, error) {
	names, err := fs.Glob(pages, "page/*.html")
	if err != nil {
		return nil, err
	}
	all := make(map[string]sheets)
	for _, lang := range phrase.Languages {
		all[lang] = make(sheets)
		common, err := template.New("frame.html").Funcs(words(phrases, lang, zone)).ParseFS(pages, "page/frame.html", "page/parts.html")
		if err != nil {
			return nil, fmt.Errorf("read the frame: %w", err)
		}
		for _, name := range names {
			base := strings.TrimSuffix(path.Base(name), ".html")
			if base == "frame" || base == "parts" {
				continue
			}
			own, err := common.Clone()
			if err == nil {
				own, err = own.ParseFS(pages, name)
			}
			if err != nil {
				return nil, fmt.Errorf("read the page %s: %w", base, err)
			}
			all[lang][base] = own
		}
	}
	return all, nil
}

// words are what the pages say things with.
func words(phrases *phrase.Book, lang string, zone *time.Location) template.FuncMap {
	return template.FuncMap{
		"say":  func(key string, pairs ...any) string { return phrases.Say(lang, key, argsOf(pairs)) },
		"lang": func() string { return lang },
		"when": func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04") },
		"stamp": func(t time.Time) string {
			return t.In(zone).Format(time.RFC3339)
		},
		"clock":   func(t time.Time) string { return t.In(zone).Format("15:04") },
		"day":     func(d civil.Date) string { return phrase.Day(lang, d.Year, d.Month, d.Day) },
		"dayOf":   func(t time.Time) civil.Date { return civil.DateOf(t.In(zone)) },
		"weekday": func(d civil.Date) string { return phrase.ShortWeekday(lang, d.Weekday()) },
		"span":    span,
		"bar":     func(n int) int { return 3 * min(n, 30) },
		"picture": func(u string) template.URL { return template.URL(u) }, // a picture that we have drawn ourselves
		"join":    func(all []string) string { return strings.Join(all, ", ") },
	}
}

// argsOf makes a sentence's fillings of names and values in turn.
func argsOf(pairs []any) phrase.Args {
	args := make(phrase.Args, len(pairs)/2)
	for i := 0; i+1 < len(pairs); i += 2 {
		args[fmt.Sprint(pairs[i])] = fmt.Sprint(pairs[i+1])
	}
	return args
}

// frame is what every page has around its middle.
type frame struct {
	Sheet  string
	Clinic string
	Who    triage.Staff
	In     bool // somebody is signed in
	Live   bool // she is told of the queue
	Tabs   []tab
	Data   any
}

// tab is a way to one of the main pages.
type tab struct {
	To, Key string
	Here    bool
}

// tabs are the main pages that a role may see.
var tabs = []struct {
	to, key string
	needs   triage.Action
	sheets  string // names of the pages that lie under it
}{
	{"/now", "desk.now", triage.SeeCases, "now case"},
	{"/tonight", "desk.tonight", triage.SeePatients, "tonight"},
	{"/day", "desk.day", triage.SeePatients, "day"},
	{"/patients", "desk.patients", triage.SeePatients, "patients patient newpatient entry weigh places"},
	{"/clinic", "desk.clinic", triage.SeePatients, "load closed"},
	{"/clinic/arrived", "desk.arrived", triage.Import, "arrived arrival"},
	{"/clinic/rota", "desk.rota", triage.SeeRota, "rota"},
	{"/clinic/policy", "desk.policy", triage.SeeStaff, "policy"},
	{"/clinic/staff", "desk.staff", triage.SeeStaff, "staff"},
}

func tabsFor(who triage.Staff, sheet string) (all []tab) {
	for _, t := range tabs {
		if who.May(t.needs) == nil {
			all = append(all, tab{t.to, t.key, strings.Contains(" "+t.sheets+" ", " "+sheet+" ")})
		}
	}
	return all
}

// write sends an answer.
func (s *Site) write(w http.ResponseWriter, r *http.Request, lang string, a answer, who triage.Staff) {
	if a.cookie != nil {
		http.SetCookie(w, a.cookie)
	}
	if a.to != "" {
		http.Redirect(w, r, a.to, http.StatusSeeOther)
		return
	}
	body, kind, err := s.bodyOf(lang, a, who)
	if err != nil {
		s.Report(fmt.Errorf("write the page %s: %w", a.sheet, err))
		http.Error(w, s.phrases().Say(lang, "desk.failed_short", nil), http.StatusInternalServerError)
		return
	}
	if a.file != nil {
		w.Header().Set("Content-Disposition", `attachment; filename="`+a.file.name+`"`)
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Language", lang)
	if a.status != 0 {
		w.WriteHeader(a.status)
	}
	_, _ = w.Write(body) // a browser that has gone away needs nothing
}

// bodyOf is what is sent for an answer, and its type.
func (s *Site) bodyOf(lang string, a answer, who triage.Staff) ([]byte, string, error) {
	if a.file != nil {
		return a.file.body, a.file.media, nil
	}
	if a.drawn != nil {
		body, err := a.drawn.PNG()
		return body, picture.Media, err
	}
	body, err := s.render(lang, a, who)
	return body, "text/html; charset=utf-8", err
}

func (s *Site) render(lang string, a answer, who triage.Staff) ([]byte, error) {
	sheet := s.sheets[lang][a.sheet]
	if sheet == nil {
		return nil, fmt.Errorf("there is no page %q in %q", a.sheet, lang)
	}
	var b bytes.Buffer
	if a.part != "" {
		err := sheet.ExecuteTemplate(&b, a.part, a.data)
		return b.Bytes(), err
	}
	err := sheet.Execute(&b, frame{Sheet: a.sheet, Clinic: s.policy().Clinic.Name, Who: who, In: who.ID != 0, Live: who.May(triage.SeeCases) == nil, Tabs: tabsFor(who, a.sheet), Data: a.data})
	return b.Bytes(), err
}

// langOf is the language of a browser that nobody is signed in with.
func langOf(r *http.Request) string {
	first, _, _ := strings.Cut(r.Header.Get("Accept-Language"), ",")
	if strings.HasPrefix(strings.ToLower(strings.TrimSpace(first)), "es") {
		return "es"
	}
	return "en"
}

// kinds of the files beside the pages.
var kinds = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

func file(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	data, err := pages.ReadFile("page/" + path.Base(name))
	kind := kinds[path.Ext(name)]
	if err != nil || kind == "" {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-cache")
	_, _ = w.Write(data)
}
