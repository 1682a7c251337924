package desk

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"time"

	"github.com/pquerna/otp"
	"github.com/pquerna/otp/totp"
	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"

	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// Bounds of a password in characters. NIST SP 800-63B sets a least of 8 beside a
// second factor and asks for at least 64 to be taken; it wants no rules about
// kinds of characters. From memory.
const shortestPassword, longestPassword = 12, 200

// goodPassword reports whether a password may be chosen: long enough, and neither
// one character again and again nor made of her handle.
func goodPassword(password, handle string) bool {
	n := len([]rune(password))
	plain := strings.ToLower(password)
	return n >= shortestPassword && n <= longestPassword && strings.Trim(password, password[:1]) != "" &&
		strings.Trim(strings.ReplaceAll(plain, strings.ToLower(handle), ""), "0123456789") != ""
}

// The cost of a password's hash: the second recommended choice of RFC 9106,
// section 4 (argon2id, 3 passes, 64 MiB, 4 lanes, 128 bits of salt, 256 bits out).
const (
	passes   = 3
	memoryKB = 64 << 10
	lanes    = 4
	saltSize = 16
	hashSize = 32
)

// hashPassword writes a password's hash in the usual form of argon2.
func hashPassword(password string) string {
	salt := make([]byte, saltSize)
	_, _ = rand.Read(salt) // never fails
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memoryKB, passes, lanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(derive(password, salt)))
}

func derive(password string, salt []byte) []byte {
	return argon2.IDKey([]byte(norm.NFKC.String(password)), salt, passes, memoryKB, lanes, hashSize)
}

// nobodysHash is compared with where there is no such person, so that a try takes
// as long for one who does not exist.
var nobodysHash = "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// matches reports whether a password is the one that was hashed.
func matches(hashed, password string) bool {
	part := strings.Split(hashed, "$")
	if len(part) != 6 || len(password) > 4*longestPassword {
		return false
	}
	salt, err := base64.RawStdEncoding.DecodeString(part[4])
	if err != nil {
		return false
	}
	want, err := base64.RawStdEncoding.DecodeString(part[5])
	return err == nil && subtle.ConstantTimeCompare(derive(password, salt), want) == 1
}

// Of a one-time code (RFC 6238): how long it is good, and how many steps before
// and after the present one still count (section 5.2 recommends at most one).
const (
	codeStep = 30 * time.Second
	skew     = 1
)

// newSecret draws the secret of somebody's one-time codes.
func newSecret(clinic, handle string) (*otp.Key, error) {
	return totp.Generate(totp.GenerateOpts{Issuer: clinic, AccountName: handle, Period: uint(codeStep / time.Second)})
}

// stepOf is the step whose code this is; false when it is the code of none that
// counts at now. A step up to last has been used.
func stepOf(secret, code string, now time.Time, last int64) (int64, bool) {
	code = strings.NewReplacer(" ", "", "-", "").Replace(code)
	present := now.Unix() / int64(codeStep/time.Second)
	for step := present - skew; step <= present+skew; step++ {
		want, err := totp.GenerateCodeCustom(secret, time.Unix(step*int64(codeStep/time.Second), 0),
			totp.ValidateOpts{Period: uint(codeStep / time.Second), Digits: otp.DigitsSix, Algorithm: otp.AlgorithmSHA1})
		if err == nil && step > last && subtle.ConstantTimeCompare([]byte(want), []byte(code)) == 1 {
			return step, true
		}
	}
	return 0, false
}

// credential is how somebody signs in.
type credential struct {
	Password string
	Secret   string
	LastStep int64
}

const secretLabel = "desk secret"

func (s *Site) credentialOf(ctx context.Context, tx *store.Tx, who triage.Staff) (c credential, known bool, err error) {
	var row struct {
		Password string `db:"password"`
		Secret   []byte `db:"secret"`
		LastStep int64  `db:"last_step"`
	}
	known, err = tx.Find(ctx, &row, `SELECT password, secret, last_step FROM credentials WHERE staff_id = ?`, who.ID)
	if err != nil || !known {
		return c, false, err
	}
	secret, err := s.vault().Open(ctx, tx, who.Person, secretLabel, row.Secret)
	return credential{row.Password, string(secret), row.LastStep}, err == nil, err
}

// begin keeps what she has chosen until her first one-time code shows that her
// device has the secret.
func (s *Site) begin(ctx context.Context, tx *store.Tx, who triage.Staff, hashed, secret string) error {
	sealed, err := s.vault().Seal(ctx, tx, who.Person, secretLabel, []byte(secret))
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `INSERT INTO credentials_begun (staff_id, password, secret, begun_at) VALUES (?, ?, ?, ?)
		ON CONFLICT (staff_id) DO UPDATE SET password = excluded.password, secret = excluded.secret, begun_at = excluded.begun_at`,
		who.ID, hashed, sealed, store.At(tx.Now))
	return err
}

// begun is the secret that she has been shown; false when she has not.
func (s *Site) begun(ctx context.Context, tx *store.Tx, who triage.Staff) (string, bool, error) {
	var sealed []byte
	known, err := tx.Find(ctx, &sealed, `SELECT secret FROM credentials_begun WHERE staff_id = ?`, who.ID)
	if err != nil || !known {
		return "", false, err
	}
	secret, err := s.vault().Open(ctx, tx, who.Person, secretLabel, sealed)
	return string(secret), err == nil, err
}

// settle puts what was begun into force, in place of what was before; step is that
// of the code that was shown.
func (s *Site) settle(ctx context.Context, tx *store.Tx, who triage.Staff, step int64) error {
	if _, err := tx.Exec(ctx, `INSERT INTO credentials (staff_id, password, secret, last_step, set_at)
		SELECT staff_id, password, secret, ?, ? FROM credentials_begun WHERE staff_id = ?
		ON CONFLICT (staff_id) DO UPDATE SET password = excluded.password, secret = excluded.secret, last_step = excluded.last_step, set_at = excluded.set_at`,
		step, store.At(tx.Now), who.ID); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `DELETE FROM credentials_begun WHERE staff_id = ?`, who.ID); err != nil {
		return err
	}
	return s.endSessions(ctx, tx, who)
}
