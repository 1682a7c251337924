// Package plan is the calendar core: from the facts of one transfer cycle, the
// clinic's policy and a protocol table it computes every step with its window,
// planned day or minute, status and the reasons for them.
//
// It owns the meaning of a fact, the rules of dating (cycle days, transfer
// offsets, gestation, the rise of hCG) and the list of what is still open. It
// is pure: "now" is an argument, the same facts in any order give the same
// plan, and nothing is read or written.
//
// It refuses to decide. Medication comes from orders only and is never started,
// changed or stopped here; where a decision is due and none is on record, the
// plan says so as an OpenEnd and a person decides. What cannot be true is
// refused (Refusal); what is unusual is kept and shown among the Conflicts.
package plan
