package reckon

import (
	"testing"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

type embryoTable struct {
	Cases []struct {
		Name            string
		Count, Age, Day int
		Euploid         bool
		Favourable      *bool
		Standing        Standing
		Limit           int
	}
	Doses []struct {
		Drug           string
		MG             float64 `yaml:"mg"`
		Times, Days    int
		Above, Unusual bool
	}
	Oils []struct {
		Allergy, Drug, Product, Route string
		Flagged                       bool
	}
}

func cautionCodes(all []Caution) map[string]bool {
	out := map[string]bool{}
	for _, c := range all {
		out[c.Why.Code] = true
	}
	return out
}

func TestNumberOfEmbryos(t *testing.T) {
	t.Parallel()
	var table embryoTable
	checkTable(t, "embryos.yaml", &table)
	for _, c := range table.Cases {
		limit, standing := Embryos{Count: c.Count, Age: c.Age, Day: c.Day, Euploid: c.Euploid, Favourable: c.Favourable}.Limit()
		if standing != c.Standing || c.Limit != 0 && limit != c.Limit {
			t.Errorf("%s: got %s of %d, want %s of %d", c.Name, standing, limit, c.Standing, c.Limit)
		}
		f := plan.Fact{Kind: plan.Embryos, ID: "e", EmbryoDay: c.Day, Count: c.Count, EggAge: c.Age, Euploid: &c.Euploid, Favourable: c.Favourable}
		got := cautionCodes(CautionsOnEmbryos(nil, f))
		if got[codeAbove] != (c.Standing == Above) || got[codeNoLimit] != (c.Standing == NoLimit) || got[codeNoAge] != (c.Standing == NotJudged) {
			t.Errorf("%s: cautions %v", c.Name, got)
		}
		// The same number, transferred, is compared with what is known of them.
		done := cautionCodes(CautionsOnEmbryos([]plan.Fact{f}, plan.Fact{Kind: plan.Transferred, Count: c.Count}))
		if done[codeAbove] != got[codeAbove] {
			t.Errorf("%s: transferred: cautions %v", c.Name, done)
		}
	}
}

func TestDosesOilsAndLapses(t *testing.T) {
	t.Parallel()
	var table embryoTable
	checkTable(t, "embryos.yaml", &table)
	for _, c := range table.Doses {
		f := plan.Fact{Kind: plan.OrderGiven, Drug: c.Drug, Dose: c.MG, Unit: "mg", Times: make([]civil.TimeOfDay, c.Times), Stop: plan.Stop{AfterDays: c.Days}}
		got := cautionCodes(CautionsOnOrder(f, nil))
		if got[codeDose] != c.Above || got[codeCourse] != c.Unusual {
			t.Errorf("%s %v mg x %d for %d days: cautions %v", c.Drug, c.MG, c.Times, c.Days, got)
		}
		f.Stop = plan.Stop{AfterDoses: c.Days * c.Times}
		if again := cautionCodes(CautionsOnOrder(f, nil)); again[codeCourse] != c.Unusual {
			t.Errorf("%s counted in doses: cautions %v", c.Drug, again)
		}
	}
	for _, c := range table.Oils {
		f := plan.Fact{Kind: plan.OrderGiven, ID: "o", Drug: c.Drug, Product: c.Product, Route: c.Route, Dose: 1, Unit: "dose"}
		got := CautionsOnOrder(f, []string{c.Allergy})
		if flagged := cautionCodes(got)[codeAllergy]; flagged != c.Flagged || flagged && !got[0].Ask {
			t.Errorf("%s and %s: got %+v, want %v", c.Allergy, c.Product, got, c.Flagged)
		}
		if later := cautionCodes(CautionsOnAllergy([]plan.Fact{f}, c.Allergy))[codeAllergy]; later != c.Flagged {
			t.Errorf("%s entered after %s: %v", c.Allergy, c.Product, later)
		}
		if stopped := CautionsOnAllergy([]plan.Fact{f, {Kind: plan.StopOrder, Order: "o"}}, c.Allergy); len(stopped) > 0 {
			t.Errorf("%s after the order was stopped: %+v", c.Allergy, stopped)
		}
	}
	today, transfer := civil.MustDate("2026-03-12"), civil.MustDate("2026-03-20")
	for until, want := range map[string]bool{"2026-03-19": true, "2026-03-20": false, "2026-03-11": false} {
		got := Lapses([]Checked{{Item: "cavity_evaluation", Until: civil.MustDate(until)}, {Item: "consents"}}, today, transfer)
		if len(got) > 0 != want {
			t.Errorf("until %s: got %+v", until, got)
		}
	}
}
