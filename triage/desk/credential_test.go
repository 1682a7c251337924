package desk

import (
	"encoding/base32"
	"testing"
	"time"
)

// RFC 6238, appendix B, SHA-1; of its eight digits the last six.
func TestOneTimeCodesOfTheStandard(t *testing.T) {
	t.Parallel()
	secret := base32.StdEncoding.EncodeToString([]byte("12345678901234567890"))
	for unix, code := range map[int64]string{
		59: "287082", 1111111109: "081804", 1111111111: "050471", 1234567890: "005924", 2000000000: "279037", 20000000000: "353130",
	} {
		at := time.Unix(unix, 0)
		step, good := stepOf(secret, code, at, 0)
		if !good || step != unix/30 {
			t.Errorf("%s at %d: step %d, good %v", code, unix, step, good)
		}
		if _, good := stepOf(secret, code, at, step); good {
			t.Errorf("%s is good twice", code)
		}
		if _, good := stepOf(secret, code, at.Add(30*time.Second), 0); !good {
			t.Errorf("%s is not good half a minute later", code)
		}
		if _, good := stepOf(secret, code, at.Add(61*time.Second), 0); good {
			t.Errorf("%s is good a minute later", code)
		}
	}
}

func TestPasswords(t *testing.T) {
	t.Parallel()
	hashed := hashPassword("un pájaro en el río")
	// The same letters in another Unicode form are the same password.
	for password, want := range map[string]bool{"un pájaro en el río": true, "un pa\u0301jaro en el ri\u0301o": true, "un pajaro en el rio": false, "": false} {
		if got := matches(hashed, password); got != want {
			t.Errorf("%q: %v", password, got)
		}
	}
	if matches(nobodysHash, "") || matches("", "") || matches("$a$b$c$d$e", "x") {
		t.Error("what is no hash matches")
	}
	if again := hashPassword("un pájaro en el río"); again == hashed {
		t.Error("two hashes are alike: there is no salt")
	}
}
