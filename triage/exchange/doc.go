// Package exchange puts a cycle into the forms that other systems read, and reads
// theirs: one cycle as an HL7 FHIR R4 Bundle, appointments and laboratory results
// from such a Bundle, and worklists as comma-separated values.
//
// It owns the codes (LOINC, UCUM) with their sources, the form of a resource's
// identity and the rule by which a cell of a spreadsheet stays text. It is pure:
// plain values in, bytes out and the other way round; it reads no store and no clock,
// and the same values give the same bytes.
//
// It refuses to guess. A value without a code that was looked up carries its name
// only; a result in a unit that is not certainly ours, without an identity or about
// somebody who is not plainly named comes back with the reason for which a person
// must look at it.
package exchange
