package exchange

import (
	"encoding/json"
	"strconv"
)

// The systems that codes and identifiers are of. Ours are addresses that nobody can
// own (RFC 2606): they name, and lead nowhere.
const (
	loincSystem    = "http://loinc.org"
	ucumSystem     = "http://unitsofmeasure.org"
	categorySystem = "http://terminology.hl7.org/CodeSystem/observation-category"
	languageSystem = "urn:ietf:bcp:47"

	// HandleSystem is that of the clinic's own short name for a patient.
	HandleSystem = "https://handrail.example/patient-handle"
	// FactSystem is that of what is on record in a cycle: visits, orders, values.
	FactSystem = "https://handrail.example/fact"
	// StepSystem is that of what a visit is for, in the words of the calendar.
	StepSystem = "https://handrail.example/step"

	cycleSystem  = "https://handrail.example/cycle"
	caseSystem   = "https://handrail.example/case"
	letterSystem = "https://handrail.example/message"
)

// name is what a value is called: its LOINC code where that was looked up, else its
// words alone.
type name struct {
	code, display, text string
}

func (n name) concept() concept {
	c := concept{Text: n.text}
	if n.code != "" {
		c.Coding = []coding{{loincSystem, n.code, n.display}}
	}
	return c
}

// The names of our values. LOINC's own browser could not be asked; beside each code
// stands where it was seen with this meaning.
var (
	// A regional laboratory's public directory of tests (Labcorp Oklahoma, test 3601425,
	// revised 2023-09-27): beta-hCG, quantitative, serum. Three published lists of LOINC
	// codes give it this name.
	hcgName = name{"21198-7", "Choriogonadotropin.beta subunit [Units/volume] in Serum or Plasma", "hCG, beta, in blood"}
	// Another such directory: estradiol, total, serum (test 2006475, revised 2021-05-20).
	estradiolName = name{"2243-4", "Estradiol (E2) [Mass/volume] in Serum or Plasma", "estradiol in blood"}
	// Another: progesterone, serum (test 2007800, revised 2021-05-28).
	progesteroneName = name{"2839-9", "Progesterone [Mass/volume] in Serum or Plasma", "progesterone in blood"}
	// ARUP Laboratories' directory, test 0070193: luteinizing hormone.
	lhName = name{"10501-5", "Lutropin [Units/volume] in Serum or Plasma", "LH in blood"}
	// Named so in the DICOM structured report of an ultrasound of the pelvis; seen in
	// one program that writes such reports.
	liningName = name{"12145-9", "Endometrium Thickness", "thickness of the lining"}
	// The same reports; seen as the diameter under a follicle in one program that reads
	// them.
	follicleName = name{"11793-7", "Follicle diameter", "diameter of a follicle"}
	// The Indonesian profile of antenatal care (SATUSEHAT, ANC.SS.DE37 and DE36).
	crlName = name{"11957-8", "Fetal Crown Rump length US", "crown-rump length"}
	sacName = name{"11850-5", "Gestational sac Mean diameter US", "mean diameter of the sac"}
	// HL7 International Patient Summary, value set of methods of the expected date.
	dueName = name{"11778-8", "Delivery date Estimated", "due date"}
	// Several published FHIR examples of a blood group.
	rhName = name{"10331-7", "Rh [Type] in Blood", "rhesus factor"}

	// No code was found that means just this, so none is given.
	periodName    = name{text: "first day of full flow"}
	cystName      = name{text: "largest ovarian cyst at baseline, diameter"}
	patternName   = name{text: "pattern of the lining"}
	rightName     = name{text: "follicles, right ovary"}
	leftName      = name{text: "follicles, left ovary"}
	viableName    = name{text: "viable on ultrasound"}
	heartbeatName = name{text: "heartbeat seen on ultrasound"}
	siteName      = name{text: "site of the pregnancy on ultrasound"}
	sacsName      = name{text: "gestational sacs, number"}
	homeLHName    = name{text: "ovulation test at home, positive"}
	thawedName    = name{text: "embryos thawed, number"}
	survivedName  = name{text: "embryos that survived the thaw, number"}
	embryosName   = name{text: "embryos transferred, number"}
	embryoDayName = name{text: "age of the embryo at transfer, days"}
)

// unit is a unit of measure: how people write it, and its UCUM code.
type unit struct{ shown, code string }

// UCUM is case sensitive and its arbitrary units stand in brackets. [IU] and its
// multiples, ng/mL and pg/mL are listed by the HL7 Lithuanian laboratory guide; mm is
// from memory of the UCUM specification.
var (
	iuPerL  = unit{"IU/L", "[IU]/L"}
	pgPerML = unit{"pg/mL", "pg/mL"}
	ngPerML = unit{"ng/mL", "ng/mL"}
	mm      = unit{"mm", "mm"}
)

// doseUnits are the units of an order that are certainly a UCUM unit; any other is
// written as it stands, without a code. From memory of the UCUM specification.
var doseUnits = map[string]string{"mg": "mg", "g": "g", "mcg": "ug", "µg": "ug", "ug": "ug", "IU": "[IU]", "mL": "mL", "ml": "mL"}

// number is the shortest decimal that reads back as v.
func number(v float64) json.Number { return json.Number(strconv.FormatFloat(v, 'f', -1, 64)) }

func measured(v float64, u unit) *quantity {
	return &quantity{Value: number(v), Unit: u.shown, System: ucumSystem, Code: u.code}
}
