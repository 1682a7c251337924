package dialog_test

import (
	"context"
	"testing"
	"time"

	"handrail.example/dialog"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// said is something that a colleague writes, or presses after having written it; what
// comes of it is on record, or is not, with why.
type said struct {
	role  triage.Role
	first []string // written before, so that there is something to do it to
	line  string
	press string
	off   string
}

// spoken has every first word that staff may write.
var spoken = map[string]said{
	"help":     {line: "help", off: "lists the words"},
	"cases":    {line: "cases"},
	"today":    {line: "today"},
	"tomorrow": {line: "tomorrow"},
	"overdue":  {line: "overdue"},
	"forecast": {line: "forecast"},
	"untold":   {line: "untold"},
	"absent":   {line: "absent coordinator lead 2026-03-12 07:00 to 2026-03-14 16:00"},
	"patients": {line: "patients"},
	"oncall":   {line: "on call"},
	"staff":    {line: "staff"},
	"here":     {line: "here", off: "she is not on call: nothing is done"},
	"take":     {line: "take 1"},
	"show":     {line: "show 1"},
	"answer":   {line: "answer 1"},
	"hand":     {line: "hand 1 coordinator"},
	"close":    {line: "close 1 phoned"},
	"told":     {line: "told 1 phoned", off: "the case is no result: refused"},
	"verify":   {line: "verify 1", off: "the case is no check: refused"},
	"send":     {first: []string{"answer 1", "please come in"}, line: "send"},
	"save":     {first: []string{"P-105 period 2026-03-09 08:15"}, line: "save"},
	"discard":  {first: []string{"P-105 period 2026-03-09 08:15"}, line: "discard", off: "drops what she was writing"},
	"add":      {line: "add P-113 es Invented Name"},
	"arrived":  {line: "arrived"},
	"closure":  {line: "closure"},
	"reopen":   {first: []string{"closure 2026-03-19 clinic storm", "save"}, line: "reopen 2026-03-19 clinic"},
	"rota":     {line: "rota coordinator 2026-03-12 19:00 2026-03-13 07:00"},
	"note":     {line: "note 1"},
}

// besides are the other things that are written about a patient or pressed.
var besides = map[string]said{
	"a patient's card":      {line: "P-105"},
	"her calendar":          {line: "P-105 calendar"},
	"her facts":             {line: "P-105 facts"},
	"her charts":            {line: "P-105 chart"},
	"her sheet":             {line: "P-105 sheet"},
	"her contacts":          {line: "P-105 note"},
	"what would move":       {line: "P-105 period 2026-03-09 08:15"},
	"what stands":           {first: []string{"P-105 period 2026-03-09 08:15", "save"}, line: "P-105 period 2026-03-08 08:15"},
	"a check":               {line: "P-105 check consents 2026-03-01"},
	"a code":                {line: "P-105 code"},
	"a hush":                {line: "P-105 hush"},
	"the button show":       {press: "case.show/1"},
	"the button take":       {press: "case.take/1"},
	"the button answer":     {press: "case.answer/1"},
	"the button close":      {press: "case.close/1/phoned"},
	"the button hand":       {press: "case.hand/1/1"},
	"the button chart":      {press: "chart/1"},
	"the button calendar":   {press: "calendar/1"},
	"the button sheet":      {press: "sheet/1"},
	"the button facts":      {press: "facts/1"},
	"the button today":      {press: "list/today"},
	"the button of closing": {press: "case.close/1", off: "lists the outcomes"},
	"somebody new":          {role: triage.Administrator, line: "staff add new reader en New Name"},
	"a colleague's code":    {role: triage.Administrator, line: "staff code reader"},
	"a colleague leaves":    {role: triage.Administrator, line: "staff leave reader"},
	"a draft of an answer":  {first: []string{"answer 1"}, line: "please come in"},
	"nothing understood":    {line: "xyzzy", off: "nothing is done"},
	"whom a closing hits":   {line: "closure 2026-03-19 clinic storm"},
	"a refusal":             {role: triage.Reader, line: "take 1", off: "her role does not allow it"},
}

// Whatever a colleague sees or does in chat is a row with who, what, when, and from
// which message.
func TestEverythingInChatIsOnRecord(t *testing.T) {
	t.Parallel()
	all := make(map[string]said)
	for _, word := range dialog.StaffWords() {
		s, known := spoken[word]
		if !known {
			t.Errorf("%q is not in the walk", word)
		}
		all[word] = s
	}
	if len(all) != len(spoken) {
		t.Errorf("%d words are walked, there are %d", len(spoken), len(all))
	}
	for name, s := range besides {
		all[name] = s
	}
	for name, s := range all {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := openRoom(t)
			who := r.team[s.role]
			if s.role == "" {
				who = r.team[triage.Lead]
			}
			for _, line := range s.first {
				r.writes(who, line)
			}
			before := len(r.rows())
			if s.press != "" {
				if err := r.receive(who, dialog.Inbound{Kind: dialog.Press, PressID: "1", Message: "1"}, s.press); err != nil {
					t.Fatal(err)
				}
			} else {
				r.writes(who, s.line)
			}
			news := r.rows()[before:]
			if (len(news) == 0) != (s.off != "") {
				t.Errorf("%d rows on record; off the record because: %q", len(news), s.off)
			}
			for _, d := range news {
				if d.Staff != who.ID || d.From.Place != triage.InChat || d.From.Ref != r.item || !d.At.Equal(r.clk.Now()) {
					t.Errorf("%+v says not who, when or from where", d)
				}
			}
		})
	}
}

func (r *room) writes(who triage.Staff, line string) {
	r.t.Helper()
	if err := r.receive(who, dialog.Inbound{Kind: dialog.Text, Text: line}, ""); err != nil {
		r.t.Fatal(err)
	}
}

// rows are all of the record.
func (r *room) rows() (all []triage.Deed) {
	r.t.Helper()
	r.within(func(ctx context.Context, tx *store.Tx) (err error) {
		all, err = r.desk.DeedsBetween(ctx, tx, time.Unix(0, 0), tx.Now.AddDate(0, 1, 0))
		return err
	})
	return all
}
