package plan

import "handrail.example/reminders/civil"

// The dating of a pregnancy after an embryo transfer. The due date lies 266 days
// after fertilisation, so 261 after the transfer of a day-5 embryo and 263 after
// that of a day-3 embryo (ACOG Committee Opinion 700, 2017); a day-6 embryo by
// the same rule 260. Gestational age counts 14 days more than embryonic age
// (convention of the ICMART glossary, 2017, from memory).
const (
	fertilisationToDue = 266
	lmpToFertilisation = 14
	lmpToDue           = 280
)

// DueDate is the estimated due date after the transfer of an embryo of the
// given age in days.
func DueDate(transfer civil.Date, embryoDay int) civil.Date {
	return transfer.AddDays(fertilisationToDue - embryoDay)
}

// GestationalDays is the gestational age on a day, in days.
func GestationalDays(transfer civil.Date, embryoDay int, on civil.Date) int {
	return lmpToFertilisation + embryoDay + on.DaysSince(transfer)
}

// EquivalentLMP is the first day of the last period that the transfer implies;
// 280 days before the due date.
func EquivalentLMP(transfer civil.Date, embryoDay int) civil.Date {
	return DueDate(transfer, embryoDay).AddDays(-lmpToDue)
}

func gestationOf(transfer civil.Date, embryoDay int, today civil.Date, tellable bool) *Gestation {
	days := GestationalDays(transfer, embryoDay, today)
	return &Gestation{
		DueDate: DueDate(transfer, embryoDay), Weeks: days / 7, Days: days % 7,
		EquivalentLMP: EquivalentLMP(transfer, embryoDay), Tellable: tellable,
	}
}
