package dialog

import (
	"context"
	"slices"
	"strconv"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// linkWords are the words of a line about who may be told something of a patient.
var linkWords = map[string]string{
	"links": "links", "vinculos": "links", "link": "link", "vincular": "link", "unlink": "unlink", "desvincular": "unlink", "relink": "relink", "revincular": "relink",
}

// relationWords and shareWords are relations and shares as a clinic writes them.
var (
	relationWords = map[string]string{"pareja": reminders.Partner, "esposo": reminders.Partner, "esposa": reminders.Partner, "parent": reminders.IntendedParent, "intendedparent": reminders.IntendedParent,
		"intencion": reminders.IntendedParent, "gestante": reminders.Carrier, "surrogate": reminders.Carrier, "donante": reminders.EggSource, "donor": reminders.EggSource, "eggsource": reminders.EggSource, "familia": reminders.Family, "cuenta": reminders.Account}
	shareWords = map[string]string{"calendario": reminders.ShareCalendar, "dosis": reminders.ShareDoses, "resultados": reminders.ShareResults}
)

// links reads "P-105 links", "P-105 link partner es calendar,doses Wim Onslake", "P-105
// link partner P-106 calendar", "P-105 link account P-106", "P-105 relink 3" and "P-105
// unlink 3"; false for a line about something else.
func (c *colleague) links(ctx context.Context, p reminders.Patient, line string) (bool, error) {
	words := strings.Fields(line)
	if len(words) == 0 {
		return false, nil
	}
	switch linkWords[tidy(words[0])] {
	case "links":
		return true, c.showLinks(ctx, p)
	case "link":
		return true, c.addLink(ctx, p, words[1:])
	case "unlink", "relink":
		if len(words) != 2 {
			return true, &misread{Example: "unlink"}
		}
		n, err := strconv.ParseInt(strings.TrimPrefix(words[1], "#"), 10, 64)
		if err != nil {
			return true, &misread{Example: "unlink", Word: words[1]}
		}
		if linkWords[tidy(words[0])] == "relink" {
			return true, c.renewLink(ctx, p, n)
		}
		l, err := c.room.Care.EndLink(ctx, c.tx, c.in.Who, p.ID, n)
		if err != nil {
			return true, err
		}
		return true, c.about(ctx, p, c.phrase("staff.link_ended", phrase.Args{"who": who(p), "name": l.Name}), nil)
	}
	return false, nil
}

func (c *colleague) addLink(ctx context.Context, p reminders.Patient, words []string) error {
	if len(words) < 2 {
		return &misread{Example: "link"}
	}
	n := reminders.NewLink{Relation: known(relationWords, words[0])}
	rest, of := words[1:], ""
	if handleWord.MatchString(rest[0]) {
		of, rest = rest[0], rest[1:]
	} else {
		n.Language, rest = strings.ToLower(rest[0]), rest[1:]
	}
	if len(rest) > 0 && isShares(rest[0]) {
		for _, s := range strings.Split(rest[0], ",") {
			if s != "" {
				n.What = append(n.What, known(shareWords, s))
			}
		}
		rest = rest[1:]
	}
	n.Name = strings.Join(rest, " ")
	if of != "" && len(rest) > 0 || of == "" && len(rest) == 0 {
		return &misread{Example: "link", Word: strings.Join(rest, " ")}
	}
	k, err := c.room.Care.AddLink(ctx, c.tx, c.in.Who, p.ID, n, of)
	if err != nil {
		return err
	}
	return c.linkCode(ctx, k)
}

func known(words map[string]string, word string) string {
	if w, is := words[tidy(word)]; is {
		return w
	}
	return strings.ToLower(word)
}

// isShares reports whether every part of a word is something to share.
func isShares(word string) bool {
	return !slices.ContainsFunc(strings.Split(strings.Trim(word, ","), ","), func(s string) bool { return !slices.Contains(reminders.Shares, known(shareWords, s)) })
}

func (c *colleague) renewLink(ctx context.Context, p reminders.Patient, id int64) error {
	k, err := c.room.Care.RenewLink(ctx, c.tx, c.in.Who, p.ID, id)
	if err != nil {
		return err
	}
	return c.linkCode(ctx, k)
}

func (c *colleague) linkCode(ctx context.Context, k care.LinkCode) error {
	key := "staff.link_code"
	if k.Link.Relation == reminders.Account {
		key = "staff.account_code"
	}
	return c.about(ctx, k.Patient, c.phrase(key, phrase.Args{"who": who(k.Patient), "name": k.Link.Name, "code": k.Code, "until": c.when(k.Until)}), nil)
}

func (c *colleague) showLinks(ctx context.Context, p reminders.Patient) error {
	all, err := c.room.Care.Links(ctx, c.tx, c.in.Who, p.ID)
	if err != nil {
		return err
	}
	if err := c.room.Service.Desk.Did(ctx, c.tx, c.in.Who, triage.SeePatients, triage.Ref{Patient: p.ID}, ""); err != nil {
		return err
	}
	rows := []string{c.phrase("staff.links", phrase.Args{"who": who(p)})}
	for _, l := range all {
		rows = append(rows, c.linkLine(l))
	}
	if len(all) == 0 {
		rows = append(rows, c.phrase("staff.links_none", nil))
	}
	text := strings.Join(rows, "\n")
	if p.Erased {
		return c.say(ctx, text, nil)
	}
	return c.about(ctx, p, text, nil)
}

// linkLine is one link: who, what, since when.
func (c *colleague) linkLine(l reminders.Link) string {
	key, at := "staff.link_open", l.Since
	switch {
	case !l.Until.IsZero():
		key, at = "staff.link_over", l.Until
	case !l.Proven.IsZero():
		key, at = "staff.link_proven", l.Proven
	}
	return c.phrase(key, phrase.Args{"number": strconv.FormatInt(l.ID, 10), "name": l.Name, "relation": c.phrase("word."+l.Relation, nil), "what": c.shares(l), "at": c.when(at)})
}

func (c *colleague) shares(l reminders.Link) string {
	var all []string
	for _, s := range l.What {
		all = append(all, c.phrase("word.share_"+s, nil))
	}
	if len(all) == 0 {
		return "–"
	}
	return strings.Join(all, ", ")
}
