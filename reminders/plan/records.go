package plan

// Records is how long the law wants a patient's records kept.
type Records struct {
	// KeepYears after her last entry; until then she cannot be erased. The default is
	// that of Directive 2006/86/EC, article 9 (2), for the traceability of tissues and
	// cells; a clinic's own law decides.
	KeepYears int `yaml:"keep_years"`
}
