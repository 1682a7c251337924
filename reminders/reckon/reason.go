package reckon

import (
	"strconv"

	"handrail.example/reminders/plan"
)

// Codes are the reasons of this package; their words stand in the phrasebook
// under "why.".
func Codes() []string {
	return []string{
		codeSurge, codeJudged, codeRising, codeProgesterone, codeHomeLH, codeLags, codeMany, codeLarge, codeSmaller, codeThin, codeNoForecast,
		codeOtherLab, codeTooFast, codeTooSteep, codeHighEarly, codeOutOfOrder, codeInterval, codeNICEShort, codePlateau, codeBound,
		codeAbove, codeNoLimit, codeNoAge, codeStrictly, codeAllergy, codeDose, codeCourse, codeLapse, codeNoBackup,
	}
}

// SurgeCode is the reason of a surge in the blood, NICEShortCode that of samples
// less than 48 hours apart; both stand in other places too.
const SurgeCode, NICEShortCode = codeSurge, codeNICEShort

// ForClinician are the cautions of a scan that a clinician sees at once. A lining that
// lags waits for the decision that every scan asks for by the close of its day.
var ForClinician = []string{codeProgesterone, codeMany, codeSmaller}

const (
	codeSurge        = "reckon_surge"
	codeJudged       = "reckon_surge_judged"
	codeRising       = "reckon_lh_rising"
	codeProgesterone = "reckon_progesterone_up"
	codeHomeLH       = "reckon_home_lh"
	codeLags         = "reckon_lining_lags"
	codeThin         = "reckon_lining_thin"
	codeMany         = "reckon_many_follicles"
	codeLarge        = "reckon_lead_large"
	codeSmaller      = "reckon_lead_smaller"
	codeNoForecast   = "reckon_no_forecast"

	codeOtherLab   = "reckon_other_laboratory"
	codeTooFast    = "reckon_rise_too_fast"
	codeTooSteep   = "reckon_fall_too_steep"
	codeHighEarly  = "reckon_hcg_high"
	codeOutOfOrder = "reckon_hcg_out_of_order"
	codeInterval   = "reckon_interval"
	codeNICEShort  = "reckon_interval_nice"
	codePlateau    = "reckon_plateau"
	codeBound      = "reckon_bound"

	codeAbove    = "reckon_embryos_above"
	codeNoLimit  = "reckon_embryos_no_limit"
	codeNoAge    = "reckon_embryos_no_age"
	codeStrictly = "reckon_embryos_prognosis"
	codeAllergy  = "reckon_allergy"
	codeDose     = "reckon_dose_above_label"
	codeCourse   = "reckon_course"
	codeLapse    = "reckon_lapses"
	codeNoBackup = "reckon_no_backup"
)

// because makes a reason; args are names and values in turn.
func because(code string, args ...string) plan.Reason {
	r := plan.Reason{Code: code, Args: map[string]string{}}
	for i := 0; i+1 < len(args); i += 2 {
		r.Args[args[i]] = args[i+1]
	}
	return r
}

// num is a value as a person writes it, at most one decimal.
func num(v float64) string { return strconv.FormatFloat(round(v, 10), 'f', -1, 64) }

// Percent is a probability as a whole number of per cent; what rounds to none or
// to all without being so is written as a bound.
func Percent(p float64) string {
	switch {
	case p > 0 && p < 0.005:
		return "<1"
	case p < 1 && p > 0.995:
		return ">99"
	}
	return strconv.Itoa(int(round(100*p, 1)))
}
