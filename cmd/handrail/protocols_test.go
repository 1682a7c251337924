package main

import (
	"strings"
	"testing"
)

func TestProtocolsAreListed(t *testing.T) {
	t.Parallel()
	got := handrail(t, "", "protocols")
	for _, want := range []string{"stimulated  (the policy's own", "\nnatural\n", "\nprogrammed\n", "10w0d to 12w0d of gestation"} {
		if got.code != 0 || !strings.Contains(got.out, want) {
			t.Errorf("no %q in:\n%s%s", want, got.out, got.err)
		}
	}
}

// The sixth day of progesterone, LH + 6: Mumusoglu 2021, Front Endocrinol 12:688237.
func TestPlanningByAnotherProtocol(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		facts, protocol, want string
		code                  int
	}{
		"by the flag": {`[{"fact":"order","id":"p","drug":"progesterone","dose":200,"unit":"mg","times":["08:00"],"from":"2026-03-18","stop":"order"}]`,
			"programmed", "transfer             Mon 2026-03-23", 0},
		"a fact goes before the flag": {`[{"fact":"protocol","on":"2026-03-01","protocol":"natural"},{"fact":"lh_surge","on":"2026-03-14"}]`,
			"programmed", "6 days after the LH surge", 0},
		"unknown": {"[]", "sequential", "use one of stimulated, natural, programmed", 2},
	} {
		got := handrail(t, c.facts, "plan", "--protocol", c.protocol, "--as-of", "2026-03-18")
		if got.code != c.code || !strings.Contains(got.out+got.err, c.want) {
			t.Errorf("%s: got %d\n%s%s", name, got.code, got.out, got.err)
		}
	}
}
