package desk

import (
	"context"
	"strings"

	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/exchange"
)

// attached is a file that is sent instead of a page.
type attached struct {
	name, media string
	body        []byte
}

// byteOrderMark goes before what a person opens in a spreadsheet: without it the common
// ones read UTF-8 as something else.
const byteOrderMark = "\ufeff"

// takeList sends one of the worklists as a file.
func (v *visit) takeList(ctx context.Context) (answer, error) {
	name, isFile := strings.CutSuffix(v.r.PathValue("file"), ".csv")
	if !isFile {
		return answer{}, triage.Refuse("no_list", map[string]string{"lists": strings.Join(care.Worklists, ", ")})
	}
	on := v.onDay()
	t, err := v.site.Care.Worklist(ctx, v.tx, v.who, v.words(nil), name, on)
	if err != nil {
		return answer{}, err
	}
	b, err := exchange.CSV(t)
	return answer{file: &attached{care.ListFile(name, on), "text/csv; charset=utf-8", append([]byte(byteOrderMark), b...)}, looked: "list: " + care.ListFile(name, on)}, err
}

// notePage is what goes into a patient's chart.
type notePage struct {
	Who, Back string
	Notes     []numbered
}

type numbered struct {
	Number int
	Text   string
}

func notes(all ...string) (list []numbered) {
	for i, n := range all {
		list = append(list, numbered{i + 1, n})
	}
	return list
}

// noteOfCase is a case as it goes into her chart.
func (v *visit) noteOfCase(ctx context.Context) (answer, error) {
	note, err := v.site.Care.Note(ctx, v.tx, v.who, v.words(nil), v.id())
	if err != nil {
		return answer{}, err
	}
	return show("note", notePage{v.say("desk.case_number", map[string]string{"case": v.r.PathValue("id")}), "/cases/" + v.r.PathValue("id"), notes(note)})
}

// notesOfPatient are the contacts of a patient's cycle as they go into her chart.
func (v *visit) notesOfPatient(ctx context.Context) (answer, error) {
	p, err := v.patient(ctx)
	if err != nil {
		return answer{}, err
	}
	all, err := v.site.Care.Notes(ctx, v.tx, v.who, v.words(nil), p.ID)
	if err != nil {
		return answer{}, err
	}
	return show("note", notePage{care.Label(p), "/patients/" + p.Handle, notes(all...)})
}
