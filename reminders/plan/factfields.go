package plan

import (
	"reflect"
	"slices"
	"strings"
)

// fields are what a kind of fact has; those before the bar are compulsory.
var fields = map[FactKind]string{
	ProtocolChosen: "protocol on |",
	PeriodStart:    "at |",
	Spotting:       "at |",
	PeriodDue:      "on |",
	ProgestinEnd:   "on |",
	Ready:          "item on |",
	BaselineFound:  "on decision | cyst_mm estradiol_pg_ml progesterone_ng_ml hcg_iu_per_l",
	OrderGiven:     "drug dose unit times from stop | product route prescriber checked_by reason",
	StopOrder:      "order on | prescriber reason",
	DoseAnswered:   "order at taken |",
	Visit:          "step at | reason",
	Embryos:        "embryo_day | embryos egg_age euploid favourable stored backup reason",
	Scan:           "on | right_mm left_mm lining_mm pattern estradiol_pg_ml lh_iu_per_l progesterone_ng_ml",
	LHSurge:        "on | counts",
	TriggerOrder:   "at drug dose unit | product route prescriber checked_by night_of reason",
	TriggerGiven:   "at | drug product route dose unit night_of",
	Transferred:    "on | embryo_day embryos reason",
	HCG:            "at iu_per_l | laboratory reported",
	OBScan:         "on | viable site sacs crl_mm sac_mm heartbeat",
	Concluded:      "on path | prescriber reason",
	Methotrexate:   "on | dose unit prescriber",
	HandoverItem:   "item on |",
	HandedOver:     "on |",
	Called:         "at |",
	Cancelled:      "on reason |",
	Retracted:      "replaces reason |",
	Bloods:         "on | estradiol_pg_ml lh_iu_per_l progesterone_ng_ml laboratory",
	HomeLH:         "on |",
	HCGDrawn:       "at | laboratory",
	Thawed:         "on embryos survived | stored",
	Rhesus:         "on rh |",
	Allergy:        "on allergen |",
	OnHand:         "at drug units | per_dose",
	Dispensed:      "at drug units | per_dose pharmacy product",
	Authorised:     "on drug until | pharmacy",
	AntiD:          "on | prescriber",
}

func fieldsOf(k FactKind) (required, optional []string) {
	f := fieldLists[k]
	return f.required, f.optional
}

// fieldLists is fields, cut up once.
var fieldLists = func() map[FactKind]struct{ required, optional []string } {
	lists := make(map[FactKind]struct{ required, optional []string }, len(fields))
	for k, words := range fields {
		before, after, _ := strings.Cut(words, "|")
		lists[k] = struct{ required, optional []string }{strings.Fields(before), strings.Fields(after)}
	}
	return lists
}()

// TakesReason reports whether a fact of this kind may say why it was saved.
func (f Fact) TakesReason() bool {
	required, optional := fieldsOf(f.Kind)
	return slices.Contains(required, "reason") || slices.Contains(optional, "reason")
}

func fieldList(k FactKind) string {
	required, optional := fieldsOf(k)
	list := strings.Join(required, ", ")
	if len(optional) > 0 {
		list += " and, if known, " + strings.Join(optional, ", ")
	}
	return list
}

// present has the names of the fields that w carries, true where there is more
// in them than an empty text.
func (w wire) present() map[string]bool {
	has := make(map[string]bool)
	fields := reflect.ValueOf(w)
	for i, name := range wireNames {
		v := fields.Field(i)
		if v.IsZero() || v.Kind() == reflect.Slice && v.Len() == 0 {
			continue
		}
		text, isText := v.Interface().(*string)
		has[name] = !isText || *text != ""
	}
	return has
}

// wireNames has the fields' names in JSON, in the order of wire.
var wireNames = func() (names []string) {
	t := reflect.TypeFor[wire]()
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		names = append(names, name)
	}
	return names
}()

func (f *Fact) checkFields(w wire) error {
	has := w.present()
	required, optional := fieldsOf(f.Kind)
	for _, k := range required {
		if !has[k] {
			return refuse(*f, k+" is missing", "add it; this kind has "+fieldList(f.Kind))
		}
	}
	known := append(append([]string{"fact", "id", "replaces"}, required...), optional...)
	var extra []string
	for k := range has {
		if !slices.Contains(known, k) {
			extra = append(extra, k)
		}
	}
	if len(extra) > 0 {
		slices.Sort(extra)
		return refuse(*f, "has no "+extra[0], "leave it out; this kind has "+fieldList(f.Kind))
	}
	return nil
}
