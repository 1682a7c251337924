package exchange

// LOINC are all codes of our tables.
func LOINC() (all []string) {
	for _, n := range []name{hcgName, estradiolName, progesteroneName, lhName, liningName, follicleName, crlName, sacName, dueName, rhName} {
		all = append(all, n.code)
	}
	return append(all, near...)
}
