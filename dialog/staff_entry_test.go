package dialog

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

var entryZone = func() *time.Location {
	z, err := time.LoadLocation("America/Chicago")
	if err != nil {
		panic(err)
	}
	return z
}()

var entryNow = time.Date(2026, 3, 11, 9, 0, 0, 0, entryZone)

func at(day, hour, minute int) time.Time {
	return time.Date(2026, 3, day, hour, minute, 0, 0, entryZone)
}

func whole(n int) *int { return &n }

func mm(v float64) *float64 { return &v }

func TestReadEntry(t *testing.T) {
	t.Parallel()
	today := civil.MustDate("2026-03-11")
	viable, not := true, false
	fact := func(f plan.Fact) entry { return entry{Verb: doEnter, Fact: f} }
	letrozole := plan.Fact{Kind: plan.OrderGiven, Drug: "letrozole", Dose: 5, Unit: "mg", Route: "oral", Times: []civil.TimeOfDay{civil.MustTime("08:00")},
		From: civil.MustDate("2026-03-12"), Stop: plan.Stop{AfterDays: 5}, Product: "letrozole 2.5 mg tablets", Prescriber: "Dr. Ashgrove"}
	letrozol := letrozole
	letrozol.Drug, letrozol.Product = "letrozol", "letrozol 2.5 mg tabletas"
	shot := plan.Fact{Kind: plan.TriggerOrder, At: at(13, 21, 30), Drug: "choriogonadotropin", Dose: 250, Unit: "mcg", Route: "sc",
		Product: "solution for injection", Prescriber: "Ashgrove"}
	scan := plan.Fact{Kind: plan.Scan, On: today, RightMM: []float64{16, 12}, LeftMM: []float64{11}, LiningMM: mm(6.6), Pattern: plan.Trilaminar}
	for text, want := range map[string]entry{
		"":                                   {Verb: doShow},
		"facts":                              {Verb: doFacts},
		"calendario":                         {Verb: doCalendar},
		"next cycle":                         {Verb: doNext},
		"siguiente ciclo":                    {Verb: doNext},
		"hush":                               {Verb: doHush},
		"finish discharged":                  {Verb: doFinish, Word: "discharged"},
		"code":                               {Verb: doCode},
		"stop progesterone":                  {Verb: doStop, Word: "progesterone", On: today},
		"stop f7 2026-03-30":                 {Verb: doStop, Word: "f7", On: civil.MustDate("2026-03-30")},
		"check trial_transfer":               {Verb: doCheck, Word: "trial_transfer", On: today},
		"lista consents ayer":                {Verb: doCheck, Word: "consents", On: today.AddDays(-1)},
		"undo f12 meant for another patient": {Verb: doUndo, ID: "f12", Words: "meant for another patient"},
		"correct f12 surge yesterday":        {Verb: doCorrect, ID: "f12", Fact: plan.Fact{Kind: plan.LHSurge, On: today.AddDays(-1), Replaces: "f12"}},

		"next cycle programmed": {Verb: doNext, Word: "programmed"},
		"chart":                 {Verb: doChart},
		"gráfica":               {Verb: doChart},
		"protocol natural":      fact(plan.Fact{Kind: plan.ProtocolChosen, Protocol: "natural", On: today}),
		"protocolo programado":  fact(plan.Fact{Kind: plan.ProtocolChosen, Protocol: "programmed", On: today}),
		"ultrasound intrauterine 1 crl 5.2 heartbeat":   fact(plan.Fact{Kind: plan.OBScan, On: today, Site: plan.Intrauterine, Sacs: 1, CRLMM: mm(5.2), Heartbeat: &viable}),
		"ultrasonido intrauterino 2 lcc 5,2 sin latido": fact(plan.Fact{Kind: plan.OBScan, On: today, Site: plan.Intrauterine, Sacs: 2, CRLMM: mm(5.2), Heartbeat: &not}),
		"ultrasound yesterday intrauterine sac 12mm":    fact(plan.Fact{Kind: plan.OBScan, On: today.AddDays(-1), Site: plan.Intrauterine, SacMM: mm(12)}),
		"ultrasound nothing seen":                       fact(plan.Fact{Kind: plan.OBScan, On: today, Site: plan.NothingSeen}),
		"ultrasonido nada visto":                        fact(plan.Fact{Kind: plan.OBScan, On: today, Site: plan.NothingSeen}),
		"ultrasonido tubario":                           fact(plan.Fact{Kind: plan.OBScan, On: today, Site: plan.Tubal}),
		"conclude second_look by Dr. Ashgrove":          fact(plan.Fact{Kind: plan.Concluded, On: today, Path: plan.SecondLook, Prescriber: "Dr. Ashgrove"}),
		"concluir ectópico":                             fact(plan.Fact{Kind: plan.Concluded, On: today, Path: plan.Ectopic}),
		"methotrexate 2026-03-10 90 mg by Ashgrove":     fact(plan.Fact{Kind: plan.Methotrexate, On: today.AddDays(-1), Dose: 90, Unit: "mg", Prescriber: "Ashgrove"}),
		"handover medication":                           fact(plan.Fact{Kind: plan.HandoverItem, Item: "medication", On: today}),
		"entrega hecha":                                 fact(plan.Fact{Kind: plan.HandedOver, On: today}),
		"visit call 2026-03-13 17:30":                   fact(plan.Fact{Kind: plan.Visit, Step: plan.Call, At: at(13, 17, 30)}),
		"cita día4 2026-03-13 07:30":                    fact(plan.Fact{Kind: plan.Visit, Step: plan.HCGDay4, At: at(13, 7, 30)}),

		"period 2026-03-02 08:15":                                       fact(plan.Fact{Kind: plan.PeriodStart, At: at(2, 8, 15)}),
		"Regla hoy a las 8:15":                                          fact(plan.Fact{Kind: plan.PeriodStart, At: at(11, 8, 15)}),
		"spotting 07:00":                                                fact(plan.Fact{Kind: plan.Spotting, At: at(11, 7, 0)}),
		"expects 2026-03-20":                                            fact(plan.Fact{Kind: plan.PeriodDue, On: civil.MustDate("2026-03-20")}),
		"progestin end 2026-03-10":                                      fact(plan.Fact{Kind: plan.ProgestinEnd, On: civil.MustDate("2026-03-10")}),
		"baseline start cyst 9 e2 38 p4 0,4":                            fact(plan.Fact{Kind: plan.BaselineFound, On: today, Decision: plan.Start, CystMM: mm(9), Estradiol: mm(38), BloodProgesterone: mm(0.4)}),
		"basal repetir quiste 22mm":                                     fact(plan.Fact{Kind: plan.BaselineFound, On: today, Decision: plan.Rescan, CystMM: mm(22)}),
		"visit scan 2026-03-13 07:20":                                   fact(plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(13, 7, 20)}),
		"cita transferencia 2026-03-20 10:00":                           fact(plan.Fact{Kind: plan.Visit, Step: plan.Transfer, At: at(20, 10, 0)}),
		"scan right 16 12 left 11 lining 6.6 trilaminar":                fact(scan),
		"scan right 16, 12; left 11; lining 6.6 mm, trilaminar":         fact(scan),
		"eco derecha 16 y 12 izquierda 11 endometrio 6,6 mm trilaminar": fact(scan),
		"scan yesterday lining 7 left none":                             fact(plan.Fact{Kind: plan.Scan, On: today.AddDays(-1), LeftMM: []float64{}, LiningMM: mm(7)}),
		"sheet":                                                         {Verb: doSheet},
		"hoja":                                                          {Verb: doSheet},
		"nota":                                                          {Verb: doNote},
		"scan right 16 lining 7 e2 210 lh 6.5 p4 0.6":                   fact(plan.Fact{Kind: plan.Scan, On: today, RightMM: []float64{16}, LiningMM: mm(7), Estradiol: mm(210), LH: mm(6.5), BloodProgesterone: mm(0.6)}),
		"bloods yesterday lh 22 p4 1,6 lab Tarn Vale":                   fact(plan.Fact{Kind: plan.Bloods, On: today.AddDays(-1), LH: mm(22), BloodProgesterone: mm(1.6), Laboratory: "Tarn Vale"}),
		"análisis estradiol 210":                                        fact(plan.Fact{Kind: plan.Bloods, On: today, Estradiol: mm(210)}),
		"lh 22":                                                         fact(plan.Fact{Kind: plan.Bloods, On: today, LH: mm(22)}),
		"lh yesterday":                                                  fact(plan.Fact{Kind: plan.LHSurge, On: today.AddDays(-1)}),
		"surge not yesterday":                                           fact(plan.Fact{Kind: plan.LHSurge, On: today.AddDays(-1), Counts: &not}),
		"pico no":                                                       fact(plan.Fact{Kind: plan.LHSurge, On: today, Counts: &not}),
		"ovulation test yesterday":                                      fact(plan.Fact{Kind: plan.HomeLH, On: today.AddDays(-1)}),
		"hcg <5 08:10":                                                  fact(plan.Fact{Kind: plan.HCG, IUPerL: 5, Reported: plan.BelowNumber, At: at(11, 8, 10)}),
		"hcg > 200000 08:10 lab Ostrey":                                 fact(plan.Fact{Kind: plan.HCG, IUPerL: 200000, Reported: plan.AboveNumber, At: at(11, 8, 10), Laboratory: "Ostrey"}),
		"drawn 07:25 lab Tarn Vale":                                     fact(plan.Fact{Kind: plan.HCGDrawn, At: at(11, 7, 25), Laboratory: "Tarn Vale"}),
		"extraída ayer a las 7:25":                                      fact(plan.Fact{Kind: plan.HCGDrawn, At: at(10, 7, 25)}),
		"thaw 2 survived 0 stored 1":                                    fact(plan.Fact{Kind: plan.Thawed, On: today, Count: 2, Survived: whole(0), Stored: whole(1)}),
		"descongelación 1 sobrevivieron 1":                              fact(plan.Fact{Kind: plan.Thawed, On: today, Count: 1, Survived: whole(1)}),
		"alergia a los cacahuates":                                      fact(plan.Fact{Kind: plan.Allergy, On: today, Allergen: "peanut"}),
		"embryos day 5 1 embryo egg 34 years euploid not favourable stored 2 backup next":                                   fact(plan.Fact{Kind: plan.Embryos, EmbryoDay: 5, Count: 1, EggAge: 34, Euploid: &viable, Favourable: &not, Stored: whole(2), Backup: plan.ThawNext}),
		"embriones día 5 2 embriones óvulo 36 no favorable respaldo cancelar":                                               fact(plan.Fact{Kind: plan.Embryos, EmbryoDay: 5, Count: 2, EggAge: 36, Favourable: &not, Backup: plan.CallOff}),
		"order letrozole 5 mg oral at 08:00 from 2026-03-12 for 5 days product letrozole 2.5 mg tablets by Dr. Ashgrove":    fact(letrozole),
		"orden letrozol 5 mg oral a las 8:00 desde mañana por 5 días producto letrozol 2.5 mg tabletas indica Dr. Ashgrove": fact(letrozol),
		"order progesterone 200 mg vaginal at 08:00 and 20:00 from 2026-03-15 until stopped": fact(plan.Fact{Kind: plan.OrderGiven, Drug: "progesterone", Dose: 200, Unit: "mg",
			Route: "vaginal", Times: []civil.TimeOfDay{civil.MustTime("08:00"), civil.MustTime("20:00")}, From: civil.MustDate("2026-03-15"), Stop: plan.Stop{UntilOrder: true}}),
		"order menotropin 75 iu sc at 21:00 from 2026-03-12 until trigger": fact(plan.Fact{Kind: plan.OrderGiven, Drug: "menotropin", Dose: 75, Unit: "iu", Route: "sc",
			Times: []civil.TimeOfDay{civil.MustTime("21:00")}, From: civil.MustDate("2026-03-12"), Stop: plan.Stop{AtTrigger: true}}),
		"trigger order 2026-03-13 21:30 choriogonadotropin 250 mcg sc product solution for injection by Ashgrove": fact(shot),
		"trigger given 2026-03-13 21:40":     fact(plan.Fact{Kind: plan.TriggerGiven, At: at(13, 21, 40)}),
		"disparo puesto ayer 21:40":          fact(plan.Fact{Kind: plan.TriggerGiven, At: at(10, 21, 40)}),
		"embryos day 5":                      fact(plan.Fact{Kind: plan.Embryos, EmbryoDay: 5}),
		"transfer 2026-03-20 day 5 1 embryo": fact(plan.Fact{Kind: plan.Transferred, On: civil.MustDate("2026-03-20"), EmbryoDay: 5, Count: 1}),
		"hcg 86 2026-03-10 08:10":            fact(plan.Fact{Kind: plan.HCG, IUPerL: 86, At: at(10, 8, 10)}),
		"hcg 86.5 iu/l 08:10":                fact(plan.Fact{Kind: plan.HCG, IUPerL: 86.5, At: at(11, 8, 10)}),
		"ultrasound viable":                  fact(plan.Fact{Kind: plan.OBScan, On: today, Viable: &viable}),
		"ultrasonido no viable":              fact(plan.Fact{Kind: plan.OBScan, On: today, Viable: &not}),
		"ultrasound 2026-03-10 uncertain":    fact(plan.Fact{Kind: plan.OBScan, On: civil.MustDate("2026-03-10")}),
		"surge":                              fact(plan.Fact{Kind: plan.LHSurge, On: today}),
		"cancel thin lining at 5 mm":         fact(plan.Fact{Kind: plan.Cancelled, On: today, Reason: "thin lining at 5 mm"}),
	} {
		got, err := readEntry(text, entryNow)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if diff := cmp.Diff(want, got, cmpopts.IgnoreUnexported(plan.Fact{})); diff != "" {
			t.Errorf("%q (-want +got):\n%s", text, diff)
		}
	}
}

func TestReadEntryRefuses(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]misread{
		"dance":                                  {"patient", "dance"},
		"facts now":                              {"patient", "now"},
		"period":                                 {"period", ""},
		"period today":                           {"period", ""},
		"period 2026-02-30 08:00":                {"period", "2026-02-30"},
		"period today 25:00":                     {"period", "25:00"},
		"scan":                                   {"scan", ""},
		"scan right":                             {"scan", ""},
		"scan right 16 right 12":                 {"scan", "right"},
		"scan right sixteen":                     {"scan", "sixteen"},
		"scan right -16":                         {"scan", "-16"},
		"scan lining 6.6 lining 7":               {"scan", ""},
		"scan lining 6.6 trilaminar homogeneous": {"scan", "homogeneous"},
		"scan right 16 12 lef 11":                {"scan", "lef"},
		"baseline cyst 9":                        {"baseline", ""},
		"baseline start cancel":                  {"baseline", "cancel"},
		"visit 2026-03-13 07:20":                 {"visit", "2026-03-13"},
		"visit scan 2026-03-13":                  {"visit", ""},
		"visit scan 07:20":                       {"visit", ""},
		"order letrozole at 08:00":               {"order", "at"},
		"order letrozole 5 mg oral":              {"order", ""},
		"order letrozole 5 mg oral at 08:00 from 2026-03-12":                          {"order", ""},
		"order letrozole 5 mg oral at 08:00 from 2026-03-12 for 5 days until trigger": {"order", "trigger"},
		"trigger": {"trigger", ""},
		"trigger order tomorrow choriogonadotropin 250 mcg": {"trigger_order", "choriogonadotropin"},
		"trigger given":                   {"trigger", ""},
		"embryos 5":                       {"embryos", ""},
		"hcg":                             {"hcg", ""},
		"hcg ~5 08:10":                    {"hcg", "~5"},
		"hcg < 08:10":                     {"hcg", "08:10"},
		"hcg 86 08:10 lab":                {"hcg", ""},
		"bloods":                          {"bloods", ""},
		"bloods lh 22 lh 23":              {"bloods", ""},
		"bloods lh high":                  {"bloods", "high"},
		"bloods lh 5 ng/ml":               {"bloods", "ng/ml"},
		"trigger given 00:30 night":       {"trigger", ""},
		"scan lh":                         {"scan", ""},
		"drawn":                           {"drawn", ""},
		"thaw 1":                          {"thaw", ""},
		"thaw 1 survived":                 {"thaw", ""},
		"rh":                              {"rh", ""},
		"rh unknown":                      {"rh", "unknown"},
		"allergy":                         {"allergy", ""},
		"home progesterone":               {"home", ""},
		"home 20":                         {"home", "20"},
		"home progesterone 4 per":         {"home", ""},
		"dispensed estradiol 8 pharmacy":  {"dispensed", ""},
		"authorised estradiol until soon": {"authorised", "soon"},
		"antid by":                        {"antid", ""},
		"embryos day 5 egg":               {"embryos", ""},
		"embryos day 5 not stored":        {"embryos", ""},
		"embryos day 5 backup":            {"embryos", ""},
		"sheet now":                       {"patient", "now"},
		"hcg 86":                          {"hcg", ""},
		"ultrasound":                      {"ultrasound", ""},
		"ultrasound not uncertain":        {"ultrasound", ""},
		"cancel":                          {"cancel", ""},
		"undo f12":                        {"undo", ""},
		"check":                           {"check", ""},
	} {
		_, err := readEntry(text, entryNow)
		var got *misread
		if !errors.As(err, &got) {
			t.Errorf("%q: %v, want it refused", text, err)
			continue
		}
		if *got != want {
			t.Errorf("%q: misread %+v, want %+v", text, *got, want)
		}
	}
}

// Every example that is shown is itself understood, in both languages: what a
// colleague copies must work.
func TestExamplesAreUnderstood(t *testing.T) {
	t.Parallel()
	book := phrase.MustLoad()
	for _, lang := range phrase.Languages {
		for _, kind := range []string{"period", "spotting", "expects", "progestin", "baseline", "visit", "scan", "order", "stop", "trigger", "trigger_order", "embryos",
			"transfer", "hcg", "ultrasound", "surge", "cancel", "correct", "undo", "check", "uncheck", "finish",
			"bloods", "lh", "ovulation", "drawn", "thaw", "rh", "allergy", "sheet", "home", "dispensed", "authorised", "antid"} {
			line, _, _ := strings.Cut(book.Say(lang, "example."+kind, nil), " (")
			handle, rest, _ := strings.Cut(line, " ")
			if !handleWord.MatchString(handle) {
				t.Errorf("%s example.%s begins with no handle: %q", lang, kind, line)
			}
			if _, err := readEntry(rest, entryNow); err != nil {
				t.Errorf("%s example.%s: %q: %v", lang, kind, rest, err)
			}
		}
	}
}

// Whatever is typed, the reader ends, and what it takes as a fact can be written
// down and read back, or is refused by the plan in words.
func FuzzReadEntry(f *testing.F) {
	book := phrase.MustLoad()
	for _, key := range book.Keys() {
		if strings.HasPrefix(key, "example.") {
			for _, lang := range phrase.Languages {
				_, rest, _ := strings.Cut(book.Say(lang, key, nil), " ")
				f.Add(rest)
			}
		}
	}
	f.Add("scan right 9999999 left 1e9")
	f.Add("period 9999-12-31 23:59")
	f.Add("\xff\xfe order \x00")
	f.Fuzz(func(t *testing.T, text string) {
		e, err := readEntry(text, entryNow)
		var wrong *misread
		if err != nil {
			if !errors.As(err, &wrong) {
				t.Fatalf("%q: %v is no misreading", text, err)
			}
			return
		}
		if e.Verb != doEnter {
			return
		}
		b, err := e.Fact.MarshalJSON()
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		var refused *plan.Refusal
		if _, err := plan.ParseFact(b, entryZone); err != nil && !errors.As(err, &refused) {
			t.Fatalf("%q: %v", text, err)
		}
	})
}
