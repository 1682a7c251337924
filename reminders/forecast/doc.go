// Package forecast says how full the days ahead may become: from the plan and the
// facts of every open cycle it makes each patient's chances of a baseline, a scan, a
// transfer and a first blood test on every day, and adds them up over all patients.
//
// It owns those chances, where they come from, and the exact distribution of each
// day's count. It is pure: policy, plans, facts and limits in, days out.
//
// # What is assumed
//
// What is booked, or counts from a trigger or an LH surge that took place or was
// ordered, is certain. Every cycle is taken to go on, so that transfers are rather
// too many than too few. Patients are independent of each other, so that the count
// of one day is a sum of independent yes-or-nos with chances of their own. The days
// are not independent: whoever comes on Monday does not come on Tuesday instead, so
// that the chances of overflow of two days must not be multiplied. One patient never
// has a baseline and a transfer on the same day.
//
// # Numerics
//
// The distribution of a sum of independent trials with different chances (the
// Poisson-binomial distribution) is built up one patient after another:
// f[k] = f[k](1-p) + f[k-1]p. All terms are positive, so nothing cancels and the
// relative error grows by no more than some roundings a patient; certain patients
// shift the result and cost nothing. Ends of the distribution under 1e-30 are dropped,
// which costs less than 1e-30 a patient of any probability. A chance of overflow is the sum of the upper
// tail itself, never 1 less the lower one.
//
// It refuses to book, to move or to promise anything, and is never shown to a patient.
package forecast
