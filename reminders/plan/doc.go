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
//
// # How it reads what its rules leave open
//
//   - A step keeps its planned day as time passes: only its status changes. What
//     is missed is for a person to book anew.
//   - Something that happened (a scan, a result, a transfer) cannot lie after now;
//     what is ordered or booked can. A first or second test is judged by its
//     place in time, not by what it was booked for.
//   - Until the trigger is ordered, its evening is the nearest to the usual one
//     that leads to a transfer day with room; once it is ordered, a transfer day
//     without room is a conflict that names the evenings that would work.
//   - The transfer counts from the date of the trigger. One timed after midnight
//     stands in conflict until a person has said which night counts (night_of).
//   - A stop order names the first day without a dose. A changed order takes the
//     place of the old one; doses of injections before the change still count
//     towards the first monitoring.
//   - A cycle that is cancelled asks about no more doses, and each order still
//     running is open until a person stops it. A negative test leaves the orders
//     as they are until she does.
//   - Of two hCG values the last decides when it is negative; when it is
//     equivocal it decides too, unless it fell from a positive one. A single
//     positive value has no verdict yet.
//   - What a pregnancy has come to is the last of a scan's findings (paths.yaml) and a
//     clinician's conclusion; of the same day the conclusion counts. Falling hCG says it
//     where neither does.
//   - Days of methotrexate count the day on which it was given as day 1.
//   - In a programmed cycle the transfer counts from the first dose of progesterone that
//     was ordered; a changed order does not move it, a corrected date does.
//   - A negative test before the window of the first test proves nothing and
//     drops nothing.
//   - An LH in the blood from the policy's figure on is a surge, unless it came
//     after the trigger or a person has judged that it is none. A positive test at
//     home is none: it asks for blood and a scan.
//   - When no embryo survives the thaw, the transfer and what counts from it fall
//     away until another one does; a person decides.
package plan
