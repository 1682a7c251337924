package dialog

import (
	"strings"

	"handrail.example/reminders/plan"
)

// What staff enter after a positive test: where the pregnancy is, what a clinician
// concluded, methotrexate, the hand-over to obstetrics, the Rh factor.

// pathTrade has the words of these entries as trade has those of the others.
var pathTrade = map[string]string{
	"grafica": "chart", "grafico": "chart", "curva": "chart", "concluir": "conclude", "conclusion": "conclude", "metotrexato": "methotrexate", "mtx": "methotrexate", "entrega": "handover", "hand-over": "handover",
	"llamada": "call", "dia4": "day4", "dia7": "day7", "llamo": "called",
	"intrauterino": "intrauterine", "tubario": "tubal", "trompa": "tubal", "tube": "tubal", "extrauterino": "elsewhere", "nothing": "none", "nada": "none",
	"seen": "seen", "visto": "seen", "lcc": "crl", "saco": "sac", "msd": "sac", "latido": "heartbeat", "sin": "not", "without": "not",
	"negativo": "negative", "positivo": "positive", "listo": "done", "lista": "done", "hecha": "done", "hecho": "done",
}

// site reads where the pregnancy was seen; "" where the next word says no place.
func (s *scanner) site() plan.Site {
	w := s.take(string(plan.Intrauterine), string(plan.Tubal), string(plan.Elsewhere), string(plan.NothingSeen))
	if w == string(plan.NothingSeen) {
		s.take("seen")
	}
	return plan.Site(w)
}

// placed reads "1 crl 5.2 heartbeat", "sac 12", "no heartbeat", in any order.
func (s *scanner) placed(f *plan.Fact) error {
	for !s.done() {
		if n, ok := s.count(); ok && f.Sacs == 0 {
			f.Sacs = n
			continue
		}
		not := s.take("not") != ""
		switch w := s.take("crl", "sac", "heartbeat"); {
		case w == "heartbeat" && f.Heartbeat == nil:
			beats := !not
			f.Heartbeat = &beats
		case w == "crl" && !not && f.CRLMM == nil:
			n, ok := s.number("mm")
			if !ok {
				return s.fail()
			}
			f.CRLMM = &n
		case w == "sac" && !not && f.SacMM == nil:
			n, ok := s.number("mm")
			if !ok {
				return s.fail()
			}
			f.SacMM = &n
		default:
			return s.fail()
		}
	}
	return nil
}

// pathWords are the paths by what a Spanish clinic says for them.
var pathWords = map[string]plan.Path{
	"en_curso": plan.Ongoing, "varios": plan.Several, "repetir": plan.RescanPath, "incierto": plan.EquivocalPath, "segunda": plan.SecondLook, "desconocido": plan.UnknownLocation,
	"descenso": plan.FallingPath, "perdida": plan.Loss, "ectopico": plan.Ectopic,
}

func (s *scanner) conclude() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Concluded}
	f.On, _ = s.date()
	if s.done() {
		return f, s.fail()
	}
	s.at++
	word := tidyWord(s.raw[s.at-1])
	f.Path = plan.Path(word)
	if known, ok := pathWords[word]; ok {
		f.Path = known
	}
	if s.take("by") != "" {
		f.Prescriber = s.text()
	}
	return f, nil
}

func (s *scanner) methotrexate() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Methotrexate}
	f.On, _ = s.date()
	if n, ok := s.number("mg"); ok {
		f.Dose, f.Unit = n, "mg"
	}
	if s.take("by") != "" {
		f.Prescriber = s.text()
	}
	return f, nil
}

// handover reads "handover medication" for one item, "handover done" for all of it.
func (s *scanner) handover() (plan.Fact, error) {
	if s.done() {
		return plan.Fact{}, s.fail()
	}
	f := plan.Fact{Kind: plan.HandedOver}
	if s.take("done", "check") == "" { // "lista"
		s.at++
		f.Kind, f.Item = plan.HandoverItem, strings.ToLower(s.raw[s.at-1])
	}
	f.On, _ = s.date()
	return f, nil
}

func (s *scanner) called() (plan.Fact, error) {
	at, err := s.minute()
	return plan.Fact{Kind: plan.Called, At: at}, err
}
