// Package reckon is the clinician's arithmetic: from her own scans and blood
// tests it computes how follicle and lining grow, on which days the clinic's
// criteria for the trigger are likely to be met, what each evening would mean for
// the transfer and the blood tests after it, how her hCG rises, and which of the
// published cautions an entry meets.
//
// It owns those computations and the source of each, which stands beside its
// result. It is pure: facts, policy and now in, values out; what is dated after
// now does not exist for it, so that a later scan never changes what was reckoned
// before.
//
// It refuses to choose. Days come as ranges with a probability, options side by
// side, cautions as something to ask a person about; nothing here is ever told to
// a patient.
package reckon
