package main

import (
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"handrail.example/bot"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
)

// config is the configuration file of a clinic. Secrets are not in it: they come
// from the environment, and are never printed.
type config struct {
	// Database is the file that holds everything. Compulsory.
	Database string `yaml:"database"`
	// Policy is the clinic's policy file; empty means the default policy.
	Policy   string         `yaml:"policy"`
	Telegram telegramConfig `yaml:"telegram"`
	Desk     deskConfig     `yaml:"desk"`
	Watch    watchConfig    `yaml:"watch"`
	Backup   backupConfig   `yaml:"backup"`
}

type telegramConfig struct {
	// APIURL is the Bot API server; empty means the platform's own. A clinic
	// that runs the platform's server itself names it here.
	APIURL string `yaml:"api_url"`
	// Mode is polling or webhook.
	Mode string `yaml:"mode"`
	// Webhook is read in that mode only.
	Webhook webhookConfig `yaml:"webhook"`
}

type webhookConfig struct {
	// URL is where the platform delivers, reachable from outside by https.
	URL string `yaml:"url"`
	// Listen is the address that we listen on, behind whatever ends the https.
	Listen string `yaml:"listen"`
}

// The modes.
const (
	polling = "polling"
	webhook = "webhook"
)

// Where the secrets are.
const (
	envToken   = "HANDRAIL_TELEGRAM_TOKEN"
	envKey     = "HANDRAIL_MASTER_KEY"
	envKeyFile = "HANDRAIL_MASTER_KEY_FILE"
	envSecret  = "HANDRAIL_WEBHOOK_SECRET"
)

// secrets are what the environment holds. Nothing prints them.
type secrets struct {
	token, webhook string
	master         []byte
}

// String keeps secrets out of whatever is printed by accident.
func (secrets) String() string { return "(secret)" }

// GoString does the same for %#v.
func (secrets) GoString() string { return "(secret)" }

// readConfig reads the file at path with the secrets of the environment. Its
// error names every fault at once.
func readConfig(path string, getenv func(string) string) (config, secrets, error) {
	if path == "" {
		return config{}, secrets{}, refusedf("name the configuration file with --config")
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return config{}, secrets{}, refusedf("config %s cannot be read (%v); name a readable file", path, cause(err))
	}
	c, s, err := parseConfig(b, getenv)
	if err != nil {
		return config{}, secrets{}, refused(faulty{"config " + path, err})
	}
	return c, s, nil
}

func parseConfig(b []byte, getenv func(string) string) (config, secrets, error) {
	c := config{Telegram: telegramConfig{Mode: polling}, Backup: defaultBackup}
	var fs plan.Faults
	if err := plan.Strict(b, &c); err != nil {
		fs = err.(plan.Faults)
	}
	c.check(&fs)
	s := readSecrets(c, getenv, &fs)
	return c, s, fs.Or()
}

func (c config) check(fs *plan.Faults) {
	switch {
	case c.Database == "":
		note(fs, "database", "", "must name the file that holds everything, such as /var/lib/handrail/handrail.sqlite")
	case !isFolder(filepath.Dir(c.Database)):
		note(fs, "database", c.Database, "must lie in a folder that exists")
	}
	if c.Policy != "" {
		if _, err := readPolicy(c.Policy); err != nil {
			note(fs, "policy", c.Policy, "must be a sound policy file: `handrail check --policy "+c.Policy+"` names its faults")
		}
	}
	if u := c.Telegram.APIURL; u != "" && !isURL(u, "http", "https") {
		note(fs, "telegram.api_url", u, "must be an address such as "+bot.DefaultURL)
	}
	c.Desk.check(fs)
	if c.Watch.Listen != "" && !isHere(c.Watch.Listen) {
		note(fs, "watch.listen", c.Watch.Listen, "must be an address and a port of this machine alone, such as 127.0.0.1:9180")
	}
	c.Backup.check(fs)
	switch c.Telegram.Mode {
	case polling:
	case webhook:
		if !isURL(c.Telegram.Webhook.URL, "https", "http") {
			note(fs, "telegram.webhook.url", c.Telegram.Webhook.URL, "must be the address at which the platform reaches this server, such as https://chat.example.org/updates")
		}
		if _, _, err := net.SplitHostPort(c.Telegram.Webhook.Listen); err != nil {
			note(fs, "telegram.webhook.listen", c.Telegram.Webhook.Listen, "must be a host and a port to listen on, such as 127.0.0.1:8443")
		}
	default:
		note(fs, "telegram.mode", c.Telegram.Mode, "must be polling or webhook")
	}
}

func note(fs *plan.Faults, field, value, allowed string) {
	*fs = append(*fs, plan.Fault{Field: field, Value: value, Allowed: allowed})
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

func isURL(s string, schemes ...string) bool {
	u, err := url.Parse(s)
	if err != nil || u.Host == "" {
		return false
	}
	return strings.Contains(" "+strings.Join(schemes, " ")+" ", " "+u.Scheme+" ")
}

var (
	tokenShape = regexp.MustCompile(`^[0-9]+:[A-Za-z0-9_-]+$`)
	// The platform's own rule for a webhook's secret.
	secretShape = regexp.MustCompile(`^[A-Za-z0-9_-]{16,256}$`)
)

// readSecrets reads the environment. Faults say what is wrong with a secret, never
// what it is.
func readSecrets(c config, getenv func(string) string, fs *plan.Faults) secrets {
	s := secrets{token: getenv(envToken), webhook: getenv(envSecret)}
	if !tokenShape.MatchString(s.token) {
		note(fs, envToken, "", "must be set in the environment to the bot's token, of the form 123456:ABC")
	}
	if c.Telegram.Mode == webhook && !secretShape.MatchString(s.webhook) {
		note(fs, envSecret, "", "must be set in the environment to 16 to 256 letters, digits, - or _")
	}
	s.master = readMaster(envKey, envKeyFile, getenv, fs)
	return s
}

// readMaster reads a master key from the environment, or from the file that it names.
func readMaster(name, nameOfFile string, getenv func(string) string, fs *plan.Faults) []byte {
	text := getenv(name)
	if file := getenv(nameOfFile); text == "" && file != "" {
		b, err := os.ReadFile(file)
		if err != nil {
			// Not its value: it may be the key itself, put into the wrong variable.
			note(fs, nameOfFile, "", fmt.Sprintf("must name a readable file (%v)", cause(err)))
			return nil
		}
		text = string(b)
	}
	key, err := seal.ParseMasterKey(text)
	if err != nil {
		note(fs, name, "", "must be set in the environment, or "+nameOfFile+" to a file: "+err.Error())
	}
	return key
}
