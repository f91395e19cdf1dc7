package repo

import (
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The two pages that people begin with, and what the first one promises.
const (
	readmePage     = "README.md"
	developersPage = "DEVELOPERS.md"
	commandsTitle  = "Two commands"
	runCommand     = "go run ./cmd/lotpaper demo"
	testCommand    = "bash .ci/test"
	ciFile         = ".ci/run"
)

// fence is a block of code on a page.
type fence struct {
	language string
	lines    []string
}

// parsePage takes a page apart: what is text (headings and prose), and its blocks of code.
func parsePage(page string) (text []string, fences []fence) {
	open := false
	for line := range strings.Lines(page) {
		line = strings.TrimRight(line, "\r\n")
		switch language, marks := strings.CutPrefix(strings.TrimSpace(line), "```"); {
		case marks && open:
			open = false
		case marks:
			open = true
			fences = append(fences, fence{language: language})
		case open:
			last := &fences[len(fences)-1]
			last.lines = append(last.lines, line)
		default:
			text = append(text, line)
		}
	}
	return text, fences
}

// section gives what stands under a heading of the second level; false: there is no such heading.
func section(page, title string) (string, bool) {
	_, rest, found := strings.Cut("\n"+page, "\n## "+title+"\n")
	body, _, _ := strings.Cut(rest, "\n## ")
	return body, found
}

// commands lists the lines of a script that are neither empty nor a comment.
func commands(lines []string) []string {
	var list []string
	for _, line := range lines {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
			list = append(list, line)
		}
	}
	return list
}

// commandFaults says where README's two commands and what CI runs are not what they should be.
func commandFaults(readme, ci string) []string {
	body, found := section(readme, commandsTitle)
	if !found {
		return []string{fmt.Sprintf("%s has no section %q", readmePage, commandsTitle)}
	}
	var faults []string
	_, fences := parsePage(body)
	if len(fences) != 2 {
		faults = append(faults, fmt.Sprintf("%s, %q has %d blocks of code, want 2", readmePage, commandsTitle, len(fences)))
	}
	for i, want := range []string{runCommand, testCommand}[:min(2, len(fences))] {
		if fences[i].language != "sh" {
			faults = append(faults, fmt.Sprintf("%s, %q: block %d is in %q, want sh", readmePage, commandsTitle, i+1, fences[i].language))
		}
		if list := commands(fences[i].lines); len(list) == 0 || list[len(list)-1] != want {
			faults = append(faults, fmt.Sprintf("%s, %q: block %d is %q, want %q as the last command", readmePage, commandsTitle, i+1, list, want))
		}
	}
	// What CI does beside is to set its shell up.
	list := slices.DeleteFunc(commands(strings.Split(ci, "\n")), func(line string) bool {
		first, _, _ := strings.Cut(line, " ")
		return slices.Contains([]string{"set", "cd", "export", "exec"}, first)
	})
	if !slices.Equal(list, []string{testCommand}) {
		faults = append(faults, fmt.Sprintf("%s runs %q, want %q alone", ciFile, list, testCommand))
	}
	return faults
}

var (
	// linkTargets finds the targets of links and pictures: [text](target), ![text](target "title"), src="target", href="target".
	linkTargets = regexp.MustCompile(`\]\(<?([^)\s>]+)|(?:src|href)="([^"]*)"`)
	// elsewhere is a target that is not on this disk.
	elsewhere = regexp.MustCompile(`^([a-z][a-z0-9+.\-]*:|//)`)
	// codeSpans finds what a text has in backticks, and sourcePaths the paths of packages and files in there.
	codeSpans   = regexp.MustCompile("`([^`]+)`")
	sourcePaths = regexp.MustCompile(`(^|[^\w./\-]|\./)((?:internal|services|cmd)/[\w./\-]+)`)
)

// anchor is the name by which a link finds a heading: small letters, blanks as hyphens, without punctuation.
func anchor(heading string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == ' ':
			return '-'
		case r == '-' || r == '_' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r >= 0x80:
			return r
		}
		return -1
	}, strings.ToLower(heading))
}

// pathFaults says which links, pictures and paths in backticks of a page lead nowhere. The page stands at the root, and a path exists if a
// clone has it.
func pathFaults(files []string, name, page string) []string {
	exists := func(target string) bool {
		target = path.Clean(target)
		return target == "." || slices.ContainsFunc(files, func(file string) bool { return file == target || strings.HasPrefix(file, target+"/") })
	}
	text, _ := parsePage(page)
	anchors := map[string]bool{}
	for _, line := range text {
		if title, ok := strings.CutPrefix(strings.TrimLeft(line, "#"), " "); ok && strings.HasPrefix(line, "#") {
			anchors[anchor(title)] = true
		}
	}
	prose := strings.Join(text, "\n")
	var faults []string
	for _, found := range linkTargets.FindAllStringSubmatch(codeSpans.ReplaceAllString(prose, ""), -1) {
		target := found[1] + found[2]
		if elsewhere.MatchString(target) {
			continue
		}
		file, fragment, _ := strings.Cut(target, "#")
		switch {
		case file == "" && !anchors[fragment]:
			faults = append(faults, fmt.Sprintf("%s leads to #%s, and has no such heading", name, fragment))
		case file != "" && !exists(file):
			faults = append(faults, fmt.Sprintf("%s leads to %s, and there is none", name, file))
		}
	}
	for _, span := range codeSpans.FindAllStringSubmatch(prose, -1) {
		for _, found := range sourcePaths.FindAllStringSubmatch(span[1], -1) {
			if target := strings.TrimRight(found[2], "./"); !exists(target) {
				faults = append(faults, fmt.Sprintf("%s names %s, and there is none", name, target))
			}
		}
	}
	return faults
}

func TestReadme(t *testing.T) {
	report(t, commandFaults(string(readFile(t, readmePage)), string(readFile(t, ciFile))))
	files := trackedFiles(t)
	for _, name := range []string{readmePage, developersPage} {
		report(t, pathFaults(files, name, string(readFile(t, name))))
	}
}

func TestCommandsFindsFaults(t *testing.T) {
	const (
		sh     = "\n```sh\n"
		end    = "\n```\n"
		run    = sh + "# the service\n" + runCommand + end
		test   = sh + "cd lotpaper\n" + testCommand + "\n" + end
		head   = "# a\n\n## " + commandsTitle + "\n"
		next   = "\n## Then\n" + sh + "other" + end
		goodCI = "#!/usr/bin/env bash\n# " + testCommand + "\nset -euo pipefail\ncd \"$(dirname x)/..\"\nexport CI=true\n\n" + testCommand + "\n"
	)
	tests := map[string]struct{ readme, ci, want string }{
		"as it should be":               {head + run + "and\n" + test + next, goodCI, ""},
		"the section is the last":       {head + run + test, goodCI, ""},
		"no section":                    {"# a\n" + run + test, goodCI, "no section"},
		"a deeper heading":              {"#" + head[5:] + run + test, goodCI, "no section"},
		"one block":                     {head + run + next, goodCI, "has 1 blocks"},
		"three blocks":                  {head + run + test + run, goodCI, "has 3 blocks"},
		"a block of another language":   {head + "\n```\n" + runCommand + end + test, goodCI, `block 1 is in ""`},
		"another way to run":            {head + sh + "go run ./cmd/lotpaper" + end + test, goodCI, "block 1 is"},
		"another way to test":           {head + run + sh + "go test ./..." + end, goodCI, "block 2 is"},
		"something after the test":      {head + run + sh + testCommand + "\nls" + end, goodCI, "block 2 is"},
		"an empty block":                {head + run + sh + "# none" + end, goodCI, "block 2 is"},
		"CI runs something else":        {head + run + test, "set -e\ngo test ./...\n", "want \"bash .ci/test\" alone"},
		"CI runs more":                  {head + run + test, goodCI + "go vet ./...\n", "want \"bash .ci/test\" alone"},
		"CI runs it with an argument":   {head + run + test, "set -e\n" + testCommand + " -short\n", "want \"bash .ci/test\" alone"},
		"CI names it in a comment only": {head + run + test, "set -e\n# " + testCommand + "\n", "want \"bash .ci/test\" alone"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			wantFault(t, commandFaults(test.readme, test.ci), test.want)
		})
	}
}

func TestPathsFindsFaults(t *testing.T) {
	files := []string{"a.txt", "pictures/map.svg", "internal/opal/mass.go", "internal/evidence/rules/v1.csv", "cmd/lotpaper/main.go", "services/status/keys.go"}
	tests := map[string]struct{ page, want string }{
		"a link":                           {"see [a](a.txt) and [pictures](pictures/)", ""},
		"a link with a dot and a fragment": {"see [a](./a.txt#there)", ""},
		"a picture":                        {"![map](pictures/map.svg \"the map\") <img src=\"pictures/map.svg\">", ""},
		"a page on the web":                {"[x](https://example.org/none) [y](mailto:a@example.org) [z](//example.org/none)", ""},
		"a link to nothing":                {"see [a](b.txt)", "leads to b.txt"},
		"a link to the start of a name":    {"see [a](a.t)", "leads to a.t"},
		"a link out of the repository":     {"see [a](../a.txt)", "leads to ../a.txt"},
		"a picture that is not there":      {"![map](pictures/none.svg)", "leads to pictures/none.svg"},
		"an HTML picture that is not":      {"<img src=\"none.svg\">", "leads to none.svg"},
		"a link below a linked picture":    {"[![map](pictures/map.svg)](none.txt)", "leads to none.txt"},
		"a link in backticks":              {"write `[a](none.txt)`", ""},
		"a link in a block of code":        {"```\n[a](none.txt) `internal/none`\n```", ""},
		"a heading":                        {"[there](#what-it-is-i)\n\n## What it is: `I`", ""},
		"a heading that is not there":      {"[there](#what)\n\n## What it is", "has no such heading"},
		"a package":                        {"`internal/opal`, `services/status`, `cmd/lotpaper`", ""},
		"a file":                           {"`internal/evidence/rules/v1.csv`, `internal/opal/mass.go`", ""},
		"packages in commands":             {"`go test ./internal/opal ./cmd/... -run x` and `go doc ./internal/...`", ""},
		"files by a pattern":               {"`internal/evidence/rules/*.csv`", ""},
		"a package that is not there":      {"`internal/none`", "names internal/none"},
		"one in a command":                 {"`go test ./services/none -short`", "names services/none"},
		"a file that is not there":         {"`cmd/lotpaper/none.go`", "names cmd/lotpaper/none.go"},
		"the start of a package's name":    {"`internal/op`", "names internal/op"},
		"not in backticks":                 {"internal/none", ""},
		"a path below another folder":      {"`docs/internal/none` and `github.com/x/cmd/none`", ""},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			wantFault(t, pathFaults(files, "a page", test.page), test.want)
		})
	}
}

// Spans may hold a line break; pages are read as a whole, so that those are seen too.
func TestPathsOverLines(t *testing.T) {
	wantFault(t, pathFaults(nil, "a page", "see `go test\n./internal/none`"), "names internal/none")
}
