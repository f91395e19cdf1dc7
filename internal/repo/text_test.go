package repo

import (
	"bytes"
	"fmt"
	"path"
	"regexp"
	"slices"
	"testing"
)

// textRule is something that no file of the repository may contain.
type textRule struct {
	what    string
	pattern *regexp.Regexp
	// exempt are files by base name where it has its place.
	exempt []string
}

// textRules lists them. The patterns are put together from pieces, so that this file does not match itself.
func textRules() []textRule {
	word := func(s string) *regexp.Regexp { return regexp.MustCompile(`\b` + s + `\b`) }
	// A folder at the top of a machine's tree, not one inside a URL or a relative path.
	folder := func(s string) *regexp.Regexp { return regexp.MustCompile(`(^|[^\w.\-/}])/` + s + `(/|$|[^\w.\-])`) }
	host := func(s string) *regexp.Regexp { return regexp.MustCompile(`(?i)\b` + regexp.QuoteMeta(s) + `\b`) }
	modules := []string{"go.mod", "go.sum"}
	return []textRule{
		{what: "a note of work left over", pattern: word("TO" + "DO")},
		{what: "a note of work left over", pattern: word("FIX" + "ME")},
		{what: "a note of work left over", pattern: word("X" + "XX")},
		{what: "a path of somebody's machine", pattern: folder("wo" + "rk")},
		{what: "a path of somebody's machine", pattern: folder("t" + "mp")},
		{what: "a path of somebody's machine", pattern: folder("ro" + "ot")},
		{what: "a path of somebody's machine", pattern: folder("ho" + "me")},
		{what: "a path of somebody's machine", pattern: folder("Us" + "ers")},
		{what: "the host of a registry", pattern: host("proxy." + "golang.org"), exempt: modules},
		{what: "the host of a registry", pattern: host("sum." + "golang.org"), exempt: modules},
		{what: "the host of a registry", pattern: host("buf." + "build"), exempt: modules},
		{what: "the host of a registry", pattern: host("registry." + "npmjs.org")},
		{what: "the host of a registry", pattern: host("pypi." + "org")},
		{what: "the host of a registry", pattern: host("crates." + "io")},
		{what: "the host of a registry", pattern: host("deb." + "debian.org")},
		{what: "the host of a registry", pattern: host("docker." + "io")},
		{what: "the host of a registry", pattern: host("ghcr." + "io")},
		{what: "the host of a registry", pattern: host("quay." + "io")},
	}
}

// textFaults says where a file contains what it may not.
func textFaults(rules []textRule, name string, content []byte) []string {
	var faults []string
	for number, line := range bytes.Split(content, []byte("\n")) {
		for _, rule := range rules {
			if found := rule.pattern.Find(line); found != nil && !slices.Contains(rule.exempt, path.Base(name)) {
				faults = append(faults, fmt.Sprintf("%s:%d: %s: %q", name, number+1, rule.what, found))
			}
		}
	}
	return faults
}

// onTheWeb tells a page of another site from one of this repository: a scheme, or a host before the first slash.
var onTheWeb = regexp.MustCompile(`^(https?:)?//|^[\w\-]+\.[a-z]+/`)

// pageNames finds the names of Markdown pages, with the folder or the host before them where there is one.
var pageNames = regexp.MustCompile(`[\w./:\-]*[\w\-]+\.md\b`)

// pageFaults says where a text sends its reader to a page that does not exist. Pages on the web are not followed.
func pageFaults(files []string, name string, content []byte) []string {
	exists := func(page string) bool {
		return slices.ContainsFunc(files, func(file string) bool { return path.Base(file) == path.Base(page) })
	}
	var faults []string
	for number, line := range bytes.Split(content, []byte("\n")) {
		for _, page := range pageNames.FindAllString(string(line), -1) {
			if !onTheWeb.MatchString(page) && !exists(page) {
				faults = append(faults, fmt.Sprintf("%s:%d: names the page %s, and there is none", name, number+1, page))
			}
		}
	}
	return faults
}

func TestText(t *testing.T) {
	rules := textRules()
	files := trackedFiles(t)
	for _, name := range files {
		content := readFile(t, name)
		if bytes.IndexByte(content, 0) >= 0 {
			continue // Bytes, not text: stores and formats kept as check values.
		}
		report(t, textFaults(rules, name, content))
		report(t, pageFaults(files, name, content))
	}
}

func TestTextFindsFaults(t *testing.T) {
	tests := map[string]struct {
		name, line string
		want       string
	}{
		"plain words":                 {"a.go", "// what is to do, at home, at work and at the root", ""},
		"a relative path":             {"a.txt", "see docs/wo" + "rk/x and ./t" + "mp/y", ""},
		"a page on the web":           {"a.txt", "https://example.org/wo" + "rk/x", ""},
		"a longer folder":             {"a.txt", "/wo" + "rkers/x", ""},
		"a route":                     {"a.txt", "GET /v1/ho" + "me", ""},
		"a module path":               {"go.mod", "\tbuf." + "build/go/app v0.3.0 // indirect", ""},
		"work left over":              {"a.go", "// TO" + "DO: more", "work left over"},
		"work left over, otherwise":   {"a.go", "// FIX" + "ME later", "work left over"},
		"a path":                      {"a.sh", "cd /wo" + "rk/main", "path of somebody's machine"},
		"a path in quotes":            {"a.go", "x := \"/t" + "mp/x\"", "path of somebody's machine"},
		"a path at the end":           {"a.sh", "ls /ro" + "ot", "path of somebody's machine"},
		"a path as a value":           {"a.yaml", "dir=/ho" + "me/someone", "path of somebody's machine"},
		"a registry":                  {"a.env", "GOPROXY=https://proxy." + "golang.org", "host of a registry"},
		"a registry in a lock file":   {"package-lock.json", "\"https://registry." + "npmjs.org/x\"", "host of a registry"},
		"a module's host in a script": {"a.sh", "curl https://buf." + "build/x", "host of a registry"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			wantFault(t, textFaults(textRules(), test.name, []byte(test.line)), test.want)
		})
	}
}

func TestPagesFindsFaults(t *testing.T) {
	const page = ".m" + "d" // In pieces, so that the names below are not taken for pages of this repository.
	files := []string{"READ" + page, "docs/map" + page, "a.go"}
	tests := map[string]struct{ line, want string }{
		"a page that exists":       {"see READ" + page, ""},
		"a page in a folder":       {"[map](docs/map" + page + ")", ""},
		"a page on the web":        {"https://example.org/none" + page, ""},
		"a page on the web, short": {"example.org/none" + page, ""},
		"another ending":           {"none" + page + "x none.cmd", ""},
		"no such page":             {"// as none" + page + " says", "none" + page},
		"no such page in a folder": {"../docs/none" + page, "none" + page},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			wantFault(t, pageFaults(files, "a.go", []byte(test.line)), test.want)
		})
	}
}
