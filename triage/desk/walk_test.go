package desk_test

import (
	"net/http"
	"strings"
	"testing"

	"handrail.example/triage"
	"handrail.example/triage/desk"
	"handrail.example/triage/rules"
)

// errand is how an address is asked for in the walk, and who may.
type errand struct {
	path string
	form []string
	may  string // roles; "" for nobody
}

const (
	every = "coordinator lead physician administrator reader"
	look  = "coordinator lead physician reader"
	carer = "coordinator lead physician"
)

// errands has every address of the desk. Who may do what: common practice, no
// source; it is the roles table of triage, told again by hand.
var errands = map[string]errand{
	"GET /{$}":       {"/", nil, every},
	"GET /me":        {"/me", nil, every},
	"POST /me/leave": {"/me/leave", nil, every},
	"POST /me/end":   {"/me/end", []string{"session", "999"}, every},

	"GET /now":                  {"/now", nil, look},
	"GET /now/list":             {"/now/list", nil, look},
	"GET /live":                 {"/live", nil, look},
	"GET /cases/{id}":           {"/cases/1", nil, look},
	"GET /cases/{id}/state":     {"/cases/1/state", nil, look},
	"POST /cases/{id}/take":     {"/cases/1/take", nil, carer},
	"POST /cases/{id}/answer":   {"/cases/1/answer", []string{"words", "Please come in.", "form", "0123456789012345678901"}, carer},
	"POST /cases/{id}/approved": {"/cases/1/approved", []string{"text", "read", "form", "0123456789012345678901"}, carer},
	"POST /cases/{id}/propose":  {"/cases/1/propose", []string{"words", "Please come in.", "to", "lead"}, carer},
	"POST /cases/{id}/hand":     {"/cases/1/hand", []string{"to", "lead"}, carer},
	"POST /cases/{id}/close":    {"/cases/1/close", []string{"outcome", "phoned"}, carer},
	"POST /cases/{id}/told":     {"/cases/1/told", []string{"how", "phoned"}, carer},
	"POST /cases/{id}/misread":  {"/cases/1/misread", nil, carer},
	"GET /cases/{id}/check":     {"/cases/1/check", nil, carer},
	"POST /cases/{id}/check":    {"/cases/1/check", nil, carer},

	"GET /tonight": {"/tonight", nil, look},
	"GET /day":     {"/day?on=2026-03-12", nil, look},

	"GET /clinic":               {"/clinic", nil, look},
	"GET /clinic/closed":        {"/clinic/closed", nil, look},
	"POST /clinic/closed":       {"/clinic/closed", []string{"from", "2026-03-19", "part", "clinic", "why", "storm", "digest", "other", "form", "0123456789012345678901"}, carer},
	"POST /clinic/closed/look":  {"/clinic/closed/look", []string{"from", "2026-03-19", "part", "clinic", "why", "storm"}, carer},
	"POST /clinic/closed/open":  {"/clinic/closed/open", []string{"on", "2026-03-19", "part", "clinic"}, carer},
	"GET /clinic/charts/{name}": {"/clinic/charts/load.png", nil, look},
	"GET /clinic/owners":        {"/clinic/owners", nil, every},
	"POST /clinic/owners/away":  {"/clinic/owners/away", []string{"who", "lead", "cover", "coordinator", "from", "2026-03-12T07:00", "to", "2026-03-14T16:00"}, "lead administrator"},
	"POST /clinic/owners/back":  {"/clinic/owners/back", []string{"absence", "1"}, every},
	"GET /clinic/rota":          {"/clinic/rota", nil, every},
	"POST /clinic/rota/add":     {"/clinic/rota/add", []string{"who", "lead", "from", "2026-03-12T07:00", "to", "2026-03-12T19:00"}, "lead administrator"},
	"POST /clinic/rota/drop":    {"/clinic/rota/drop", []string{"shift", "1"}, "lead administrator"},
	"POST /clinic/rota/here":    {"/clinic/rota/here", nil, carer},
	"GET /clinic/staff":         {"/clinic/staff", nil, every},
	"POST /clinic/staff/add":    {"/clinic/staff/add", []string{"handle", "new", "name", "New", "role", "reader", "language", "en"}, "administrator"},
	"POST /clinic/staff/code":   {"/clinic/staff/code", []string{"handle", "reader"}, "administrator"},
	"POST /clinic/staff/leave":  {"/clinic/staff/leave", []string{"handle", "nobody"}, "administrator"},
	"POST /clinic/staff/end":    {"/clinic/staff/end", []string{"handle", "lead"}, "administrator"},
	"GET /clinic/policy":        {"/clinic/policy", nil, every},
	"POST /clinic/policy/try":   {"/clinic/policy/try", []string{"policy", "clinic: {name: Other}"}, look},

	"GET /patients":                        {"/patients?q=vern", nil, look},
	"GET /patients/new":                    {"/patients/new", nil, carer},
	"POST /patients/new":                   {"/patients/new", []string{"handle", "P-900", "name", "Invented", "language", "en"}, carer},
	"GET /patients/{handle}":               {"/patients/P-105", nil, look},
	"GET /patients/{handle}/charts/{name}": {"/patients/P-105/charts/follicles.png", nil, look},
	"GET /patients/{handle}/sheet":         {"/patients/P-105/sheet", nil, look},
	"GET /patients/{handle}/places":        {"/patients/P-105/places?step=monitoring", nil, carer},
	"GET /patients/{handle}/enter/{kind}":  {"/patients/P-105/enter/scan", nil, carer},
	"POST /patients/{handle}/enter/{kind}": {"/patients/P-105/enter/scan", []string{"on", "2026-03-11", "lining_mm", "6.6"}, carer},
	"POST /patients/{handle}/check":        {"/patients/P-105/check", []string{"item", "consents", "on", "2026-03-01"}, carer},
	"POST /patients/{handle}/hush":         {"/patients/P-105/hush", nil, carer},
	"POST /patients/{handle}/invite":       {"/patients/P-105/invite", nil, carer},
	"POST /patients/{handle}/finish":       {"/patients/P-105/finish", []string{"ending", "discharged"}, carer},
	"POST /patients/{handle}/next":         {"/patients/P-105/next", nil, carer},

	"GET /lists/{file}":                 {"/lists/day.csv?on=2026-03-12", nil, carer},
	"GET /clinic/arrived":               {"/clinic/arrived", nil, carer},
	"GET /clinic/arrived/{id}":          {"/clinic/arrived/1", nil, carer},
	"POST /clinic/arrived/{id}/confirm": {"/clinic/arrived/1/confirm", []string{"of", "P-105"}, carer},
	"POST /clinic/arrived/{id}/aside":   {"/clinic/arrived/1/aside", nil, carer},

	"GET /cases/{id}/note":             {"/cases/1/note", nil, carer},
	"GET /patients/{handle}/note":      {"/patients/P-105/note", nil, carer},
	"POST /patients/{handle}/owner":    {"/patients/P-105/owner", []string{"owner", "coordinator"}, carer},
	"POST /patients/{handle}/handnote": {"/patients/P-105/handnote", []string{"words", "She is afraid of needles."}, carer},
	"POST /patients/{handle}/link":     {"/patients/P-105/link", []string{"relation", "partner", "name", "Wim Onslake", "language", "en", "what", "calendar"}, carer},
	"POST /patients/{handle}/relink":   {"/patients/P-105/relink", []string{"number", "1"}, carer},
	"POST /patients/{handle}/unlink":   {"/patients/P-105/unlink", []string{"number", "1"}, carer},
}

// Every address against every role, and against nobody. One that is missing here
// fails.
func TestEveryAddressAsksTheTable(t *testing.T) {
	t.Parallel()
	for _, pattern := range desk.Patterns() {
		e, known := errands[pattern]
		if !known {
			t.Errorf("%s is not in the walk", pattern)
			continue
		}
		t.Run(pattern, func(t *testing.T) {
			t.Parallel()
			c := open(t)
			c.opens("inbox/1", rules.SameDay, "a lot of pain")
			ask := func(b *browser) page {
				if strings.HasPrefix(pattern, "POST") {
					return b.post(e.path, e.form...)
				}
				return b.get(e.path)
			}
			if p := ask(c.browser()); p.status != http.StatusSeeOther || p.to != "/enter" {
				t.Errorf("nobody: %d %s", p.status, p.to)
			}
			for _, role := range triage.Roles {
				p := ask(c.as(role))
				may := strings.Contains(" "+e.may+" ", " "+string(role)+" ")
				if refused := p.status == http.StatusForbidden; refused == may || p.status >= 500 {
					t.Errorf("%s: %d, want allowed %v", role, p.status, may)
				}
			}
		})
	}
	if len(errands) != len(desk.Patterns()) {
		t.Errorf("%d errands for %d addresses", len(errands), len(desk.Patterns()))
	}
}
