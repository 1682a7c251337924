package reading

import (
	"testing"

	"handrail.example/triage/rules"
)

// What is told of others, denied, read or long over must not take along what is
// hers and now. Each of these is an emergency or a matter of the same day by the
// labelling rules of testdata/reading.
func TestNothingIsLostBesideADecoy(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"what to do, bleeding heavily?",
		"no fever but I fainted",
		"my sister had a clot and now my calf is swollen and hot",
		"the leaflet says call if bleeding, I'm bleeding through pads",
		"I know it's common to cramp but mine is unbearable",
		"mi mamá dice que es normal pero me desmayé",
		"no tengo fiebre, pero me duele muchísimo el lado derecho, no aguanto",
		"I never faint, but I fainted today",
		"last cycle nothing, this cycle I can't breathe",
		"casi me muero del dolor anoche y sigue",
		"I dreamt of blood and woke up soaked in real blood",
		"not pain exactly, but I passed out twice",
		"nothing helps, the pain is a 9",
		"yo estoy bien pero acabo de convulsionar",
		"me, I'm bleeding through a pad an hour",
		"they told me to call for chest pain and I have chest pain",
		"if the bleeding gets worse I'll go but I'm soaking a pad an hour",
		"a mí no se me quita con nada el dolor del pecho",
		"los demás bien, yo vomito todo y no orino",
		"my husband says I was unconscious for a minute",
		"mi esposo dice que estuve inconsciente",
		"don't worry my mom is here, I fainted again",
		"al bañarme me desmayé",
		"a la hora de la cena me dio un dolor de pecho",
		"a los diez minutos de la inyección se me cerró la garganta",
		"en el trabajo me desmayé",
		"en la fila del súper me desplomé",
		"in the waiting room I passed out",
		"we saw the heartbeat and now I'm soaking pads",
		"vimos el latido ayer y hoy sangro a chorros",
		"thinking of the baby makes me want to die",
	} {
		r := Parse(text, Context{Sent: fuzzSent, Phase: rules.AfterTransfer})
		if v := rules.Assess(r.Input(rules.AfterTransfer)); v.Urgency < rules.SameDay {
			t.Errorf("%q: got %v with signs %v, want at least the same day", text, v.Urgency, r.Signs)
		}
	}
}

// And what is not hers, not now or not so is left alone.
func TestSheComesBackToHerself(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"mi concuña se puso morada y no podía respirar, yo hasta ahorita nada de eso",
		"everyone on the board is haemorrhaging or in the ER, me, dry as a bone",
		"al portero le dio un derrame anoche",
		"Leí todo lo de alarma: panza dura, orinar poquito, ahogarse. De eso no tengo ni una",
		"had a bit of a dizzy spell last Thursday before the transfer but nothing since",
		"no se me olvidó, la del foro fue la que se desmayó",
		"¿por qué les da convulsión a algunas embarazadas?",
		"mi prima en Cali sangró todo el embarazo y su niño nació bien",
	} {
		r := Parse(text, Context{Sent: fuzzSent, Phase: rules.AfterTransfer})
		if v := rules.Assess(r.Input(rules.AfterTransfer)); v.Urgency >= rules.SameDay {
			t.Errorf("%q: got %v by %v, want it left alone", text, v.Urgency, v.Rules)
		}
	}
}
