package pages

import (
	"bufio"
	"embed"
	"fmt"
	"math"
	"net/http"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/text/language"
	"golang.org/x/text/language/display"

	"github.com/lotpaper/lotpaper/internal/opal"
)

//go:embed texts/*.txt
var textFiles embed.FS

// catalog holds the texts of one language by their keys.
type catalog struct {
	language string // such as "de"
	name     string // as its speakers write it
	texts    map[string]string
}

// source is the language whose file has every key; a text that another language lacks would be a mistake, which a test finds.
const source = "en"

// languageCookie keeps a reader's choice.
const languageCookie = "lotpaper-language"

func loadCatalogs() (map[string]*catalog, error) {
	files, err := textFiles.ReadDir("texts")
	if err != nil {
		return nil, err
	}
	out := map[string]*catalog{}
	for _, f := range files {
		raw, err := textFiles.ReadFile(path.Join("texts", f.Name()))
		if err != nil {
			return nil, err
		}
		c, err := parseCatalog(strings.TrimSuffix(f.Name(), ".txt"), string(raw))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f.Name(), err)
		}
		out[c.language] = c
	}
	if out[source] == nil {
		return nil, fmt.Errorf("there is no file of texts for %s", source)
	}
	return out, nil
}

// parseCatalog reads a file of texts: lines key = text, with {0}, {1} … for what is filled in; a line that begins with # is a remark, and one that begins with a
// blank goes on with the text before.
func parseCatalog(lang, raw string) (*catalog, error) {
	c := &catalog{language: lang, texts: map[string]string{}}
	last := ""
	lines := bufio.NewScanner(strings.NewReader(raw))
	for n := 1; lines.Scan(); n++ {
		line := lines.Text()
		switch {
		case strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#"):
			continue
		case strings.HasPrefix(line, " ") && last != "":
			c.texts[last] += " " + strings.TrimSpace(line)
			continue
		}
		key, text, ok := strings.Cut(line, "=")
		key, text = strings.TrimSpace(key), strings.TrimSpace(text)
		if !ok || key == "" || text == "" {
			return nil, fmt.Errorf("line %d: found %q, accepted is key = text", n, line)
		}
		if _, twice := c.texts[key]; twice {
			return nil, fmt.Errorf("line %d: the key %s stands twice", n, key)
		}
		c.texts[key], last = text, key
	}
	if c.name = c.texts["language.name"]; c.name == "" {
		return nil, fmt.Errorf("the key language.name is missing")
	}
	return c, lines.Err()
}

var placeholder = regexp.MustCompile(`\{(\d)\}`)

// text gives the text of a key, filled in. A key that is not there shows itself, so that nothing is left out silently.
func (c *catalog) text(key string, args ...any) string {
	t, ok := c.texts[key]
	if !ok {
		return key
	}
	return placeholder.ReplaceAllStringFunc(t, func(p string) string {
		if n, err := strconv.Atoi(p[1 : len(p)-1]); err == nil && n < len(args) {
			return fmt.Sprint(args[n])
		}
		return p
	})
}

// counted gives the text of a key for a number of things: key.one for 1, key.many for others.
func (c *catalog) counted(key string, n int) string {
	if n == 1 {
		return c.text(key + ".one")
	}
	return c.text(key+".many", c.number(int64(n)))
}

// word says a word of the vocabulary; one that the language has no text for is said as its letters are, in small.
func (c *catalog) word(kind, word string) string {
	if word == "" {
		return ""
	}
	if t, ok := c.texts[kind+"."+word]; ok {
		return t
	}
	return strings.ToLower(strings.ReplaceAll(word, "_", " "))
}

// claim says what is claimed: a word, or an origin with its country.
func (c *catalog) claim(claim string) string {
	if country, ok := strings.CutPrefix(claim, string(opal.ClaimOrigin)+":"); ok {
		return c.text("claim.origin", c.country(country))
	}
	return c.word("claim", claim)
}

// country names a country by its ISO 3166-1 code, as Unicode's CLDR does.
func (c *catalog) country(code string) string {
	r, err := language.ParseRegion(code)
	if err != nil {
		return code
	}
	if name := display.Regions(language.Make(c.language)).Name(r); name != "" {
		return name
	}
	return code
}

// number writes a whole number with the language's mark between thousands.
func (c *catalog) number(n int64) string {
	s := strconv.FormatInt(n, 10)
	sign := ""
	if n < 0 {
		sign, s = "-", s[1:]
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + c.texts["number.thousands"] + s[i:]
	}
	return sign + s
}

// figure writes a number with the digits that a reader can use: three that count.
func (c *catalog) figure(f float64) string {
	if f != 0 && (math.Abs(f) >= 1e6 || math.Abs(f) < 1e-3) {
		return c.point(strconv.FormatFloat(f, 'e', 1, 64))
	}
	digits := 2
	if f != 0 {
		digits = max(0, 2-int(math.Floor(math.Log10(math.Abs(f)))))
	}
	s := strconv.FormatFloat(f, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return c.point(s)
}

// point gives a number the language's decimal mark.
func (c *catalog) point(s string) string { return strings.Replace(s, ".", c.texts["number.point"], 1) }

// date writes a time or a bare date, as posted, as a day.
func (c *catalog) date(text string) string {
	if len(text) < len(time.DateOnly) {
		return text
	}
	t, err := time.Parse(time.DateOnly, text[:len(time.DateOnly)])
	if err != nil {
		return text
	}
	return c.text("date.day", t.Day(), c.texts["month."+strconv.Itoa(int(t.Month()))], t.Year())
}

// moment writes a time to the minute in the zone that it was written in, and a bare date as a day.
func (c *catalog) moment(text string) string {
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return c.date(text)
	}
	zone := t.Format("-07:00")
	if zone == "+00:00" {
		zone = "UTC"
	}
	return c.date(text) + " " + t.Format("15:04") + " " + zone
}

// language finds the language of a reader: the one asked for in the address, which is kept; the one kept; or what the browser prefers.
func (p *Pages) language(w http.ResponseWriter, r *http.Request) *look {
	if asked := p.looks[r.URL.Query().Get("lang")]; asked != nil {
		http.SetCookie(w, &http.Cookie{
			Name: languageCookie, Value: asked.language, Path: "/", MaxAge: 365 * 24 * 3600, HttpOnly: true, Secure: p.cfg.Secure, SameSite: http.SameSiteLaxMode,
		})
		return asked
	}
	if c, err := r.Cookie(languageCookie); err == nil {
		if kept := p.looks[c.Value]; kept != nil {
			return kept
		}
	}
	names := p.languages()
	tags := make([]language.Tag, len(names))
	for i, n := range names {
		tags[i] = language.Make(n)
	}
	_, i := language.MatchStrings(language.NewMatcher(tags), r.Header.Get("Accept-Language"))
	return p.looks[names[i]]
}

// languages lists them, the source first.
func (p *Pages) languages() []string {
	var rest []string
	for name := range p.looks {
		if name != source {
			rest = append(rest, name)
		}
	}
	slices.Sort(rest)
	return append([]string{source}, rest...)
}
