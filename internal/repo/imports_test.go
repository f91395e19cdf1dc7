package repo

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os/exec"
	"path"
	"slices"
	"strings"
	"testing"
)

// Outside libraries by what they are for. A name stands for the packages below it too.
const (
	cborLib      = "github.com/fxamacker/cbor/v2"
	pebbleLib    = "github.com/cockroachdb/pebble/v2"
	natsLib      = "github.com/nats-io"
	grpcLib      = "google.golang.org/grpc"
	protobufLib  = "google.golang.org/protobuf"
	genprotoLib  = "google.golang.org/genproto/googleapis"
	gatewayLib   = "github.com/grpc-ecosystem/grpc-gateway/v2"
	merkleLib    = "github.com/transparency-dev/merkle"
	noteLib      = "golang.org/x/mod/sumdb"
	formatsLib   = "github.com/transparency-dev/formats"
	dsseLib      = "github.com/secure-systems-lab/go-securesystemslib"
	cobraLib     = "github.com/spf13/cobra"
	pflagLib     = "github.com/spf13/pflag"
	progressLib  = "github.com/schollz/progressbar/v3"
	yamlLib      = "gopkg.in/yaml.v3"
	termLib      = "golang.org/x/term"
	uuidLib      = "github.com/google/uuid"
	decimalLib   = "github.com/cockroachdb/apd/v3"
	rapidLib     = "pgregory.net/rapid"
	leakLib      = "go.uber.org/goleak"
	cmpLib       = "github.com/google/go-cmp"
	scriptLib    = "github.com/rogpeppe/go-internal"
	sysLib       = "golang.org/x/sys"
	syncLib      = "golang.org/x/sync"
	rateLib      = "golang.org/x/time"
	textLib      = "golang.org/x/text"
	widthLib     = "github.com/rivo/uniseg"
	oidcLib      = "github.com/coreos/go-oidc/v3"
	oauthLib     = "golang.org/x/oauth2"
	qrLib        = "rsc.io/qr"
	schemaLib    = "github.com/santhosh-tekuri/jsonschema/v6"
	regexpLib    = "github.com/dlclark/regexp2"
	bookLib      = "github.com/xuri/excelize/v2"
	chromedpLib  = "github.com/chromedp/chromedp"
	cdpLib       = "github.com/chromedp/cdproto"
	mathsLib     = "gonum.org/v1/gonum"
	anyInternal  = "internal/..."
	anyService   = "services/..."
	anyGenerated = "internal/gen/..."
)

// importRule says what one package, or with "/..." everything below a folder, may import.
type importRule struct {
	// pure packages import the standard library and each other, and see no clock, file, network or randomness.
	pure bool
	// module lists what it may import of this module.
	module []string
	// outside lists the libraries that it may import beside the standard library.
	outside []string
	// tests lists the libraries that only its tests may import, beside those that every test may; they are there to check against.
	tests []string
	// besides lists what a pure package may use of the standard library that others like it may not.
	besides []string
}

// importRules is the map of the module: imports point inwards, cmd → services → internal, and a package that has no line here is
// refused, so that a new one is placed on purpose. A line may stand before its package is written.
func importRules() map[string]importRule {
	return map[string]importRule{
		"internal/fault":          {pure: true},
		"internal/opal":           {pure: true, module: []string{"internal/fault"}, tests: []string{textLib}}, // the ISO codes' second source
		"internal/account":        {pure: true, module: []string{"internal/opal", "internal/fault"}},
		"internal/evidence":       {pure: true, module: []string{"internal/opal", "internal/fault", "internal/sampling", "internal/numeric"}, outside: []string{mathsLib}},
		"internal/assay":          {pure: true, module: []string{"internal/opal", "internal/fault", "internal/numeric"}},
		"internal/spectrum":       {pure: true, module: []string{"internal/opal", "internal/fault", "internal/numeric", "internal/spectrum/synth"}},
		"internal/spectrum/synth": {pure: true},
		"internal/numeric":        {pure: true},
		"internal/sampling":       {pure: true, module: []string{"internal/opal", "internal/fault", "internal/numeric"}, outside: []string{mathsLib}},
		"internal/disclosure":     {pure: true, module: []string{"internal/opal", "internal/fault", "internal/evidence"}},
		// Encoding is on the path of every event: it reads memory by a plan that was made with reflection.
		"internal/canon": {pure: true, module: []string{"internal/fault"}, tests: []string{cborLib}, besides: []string{"unsafe"}},

		"internal/envelope": {
			module:  []string{"internal/opal", "internal/fault", "internal/canon"},
			outside: []string{cborLib},
			tests:   []string{dsseLib, noteLib},
		},
		"internal/block": {
			module:  []string{"internal/opal", "internal/fault", "internal/canon", "internal/envelope"},
			outside: []string{cborLib, merkleLib},
		},
		"internal/eventlog": {
			module:  []string{"internal/opal", "internal/fault", "internal/account", "internal/canon", "internal/envelope", "internal/block"},
			outside: []string{pebbleLib, cborLib, merkleLib, noteLib},
		},
		"internal/bus": {
			module:  []string{"internal/opal", "internal/fault", "internal/canon"},
			outside: []string{natsLib},
		},
		"internal/wire": {
			module:  []string{"internal/opal", "internal/fault", "internal/wire/wiretest", anyGenerated}, // wiretest in its tests
			outside: []string{protobufLib, textLib},
		},
		"internal/wire/wiretest": {
			module:  []string{"internal/opal"},
			outside: []string{rapidLib},
		},
		"internal/rpc": {
			module:  []string{"internal/opal", "internal/fault", "internal/account", "internal/envelope", "internal/clientcert", "internal/clientcert/certtest", anyGenerated}, // clientcert in its tests
			outside: []string{grpcLib, protobufLib, genprotoLib, gatewayLib, rateLib},
		},
		"internal/gen/...": {
			module:  []string{anyGenerated},
			outside: []string{grpcLib, protobufLib, genprotoLib, gatewayLib},
		},

		// Storage and transport meet in a service only; services meet in cmd and in the harness only.
		"services/intake": {
			module:  []string{anyInternal},
			outside: []string{grpcLib, protobufLib, genprotoLib, rateLib, syncLib, uuidLib, natsLib},
		},
		"services/laboratory": {
			module:  []string{"internal/opal", "internal/fault", "internal/sampling", "internal/assay", "internal/spectrum", "internal/spectrum/synth", "internal/numeric", "internal/wire", anyGenerated},
			outside: []string{grpcLib, protobufLib},
		},
		"internal/clientcert":          {module: []string{"internal/opal", "internal/fault", "internal/clientcert/certtest"}}, // certtest in its tests
		"internal/clientcert/certtest": {},
		"internal/staff": {
			module:  []string{"internal/opal", "internal/fault", "internal/staff/issuertest"}, // issuertest in its tests
			outside: []string{oidcLib, oauthLib},
		},
		"internal/staff/issuertest": {},
		"internal/session":          {module: []string{"internal/opal", "internal/fault", "internal/envelope", "internal/rpc", "internal/account"}}, // account in its tests
		"internal/attachment":       {module: []string{"internal/fault"}},
		"services/attachments": {
			module:  []string{"internal/attachment", "internal/fault", "internal/rpc", anyGenerated},
			outside: []string{grpcLib, protobufLib},
		},
		"services/privacy": {
			module:  []string{"internal/account", "internal/eventlog", "internal/opal", "internal/fault", "internal/rpc", anyGenerated},
			outside: []string{grpcLib},
		},
		"services/transparency": {
			module:  []string{"internal/eventlog", "internal/block", "internal/opal", "internal/fault", "internal/wire", "internal/receipt", "internal/bundle", anyGenerated},
			outside: []string{grpcLib, protobufLib, noteLib},
		},
		// What others can check of the log without a network; the formats are those of a library.
		"internal/receipt": {module: []string{"internal/block"}, outside: []string{noteLib, formatsLib}},
		"internal/bundle": {
			module: []string{
				"internal/receipt", "internal/block", "internal/eventlog", "internal/account", "internal/envelope", "internal/opal", "internal/fault", "internal/canon",
			},
			outside: []string{noteLib},
		},
		"services/ledger": {
			module:  []string{anyInternal},
			outside: []string{grpcLib, protobufLib, genprotoLib, syncLib, uuidLib, natsLib, pebbleLib, cborLib},
		},
		"services/status": {
			module:  []string{anyInternal},
			outside: []string{grpcLib, protobufLib, genprotoLib, syncLib, natsLib, pebbleLib, cborLib},
		},
		"services/gateway": {
			module:  []string{anyInternal},
			outside: []string{grpcLib, protobufLib, genprotoLib, gatewayLib, rateLib, syncLib},
		},
		"internal":         {}, // the OpenAPI document
		"internal/lineage": {pure: true},
		"internal/epcis":   {module: []string{"internal/opal", "internal/readout", "internal/wire", "internal/wire/wiretest", anyGenerated}, outside: []string{protobufLib}, tests: []string{schemaLib, regexpLib}}, // wire in its tests
		"internal/prov":    {module: []string{"internal/readout", anyGenerated}, tests: []string{protobufLib}},
		"internal/label":   {module: []string{"internal/fault"}, outside: []string{qrLib}},
		"services/pages": {
			module:  []string{"internal", "internal/opal", "internal/fault", "internal/disclosure", "internal/epcis", "internal/eventfile", "internal/label", "internal/lineage", "internal/prov", "internal/readout", "internal/rpc", "internal/sheet", anyGenerated},
			outside: []string{grpcLib, protobufLib, genprotoLib, textLib},
		},
		// Tests alone: they drive the pages of a whole node with a browser.
		"cmd/lotpaper/browser": {
			module:  []string{harness, "internal/client", "internal/opal", "internal/bundle", "internal/receipt", "cmd/lotpaper/demo", anyGenerated},
			outside: []string{chromedpLib, cdpLib, protobufLib},
		},
		harness: {
			module:  []string{anyInternal, anyService},
			outside: []string{grpcLib, protobufLib, genprotoLib, natsLib, pebbleLib, syncLib, sysLib},
			tests:   []string{noteLib, merkleLib},
		},
		// What only the command line needs: files and sheets of events, the service's REST client, pages for a terminal.
		"internal/eventfile": {
			module:  []string{"internal/opal", "internal/fault", "internal/wire", "internal/attachment", anyGenerated},
			outside: []string{protobufLib, yamlLib, textLib},
		},
		"internal/sheet": {
			module:  []string{"internal/fault", "internal/eventfile", anyGenerated},
			outside: []string{protobufLib, bookLib},
		},
		"internal/client": {
			module:  []string{"internal/fault", anyGenerated},
			outside: []string{protobufLib},
		},
		"internal/table":   {outside: []string{widthLib}},
		"internal/readout": {module: []string{"internal/opal", "internal/table", anyGenerated}, tests: []string{protobufLib}},
		"cmd/lotpaper/demo": {
			module:  []string{"internal/opal", "internal/fault", "internal/eventfile", "internal/account", "internal/wire", "internal/spectrum", "internal/spectrum/synth", anyGenerated},
			outside: []string{yamlLib, protobufLib},
		},
		// The benchmark runs whole nodes against a bare store.
		"cmd/lotpaper/bench": {
			module:  []string{anyInternal, anyService},
			outside: []string{grpcLib, protobufLib, pebbleLib},
		},
		"cmd/lotpaper": {
			module: []string{anyInternal, anyService, "cmd/lotpaper/demo", "cmd/lotpaper/bench"},
			outside: []string{
				cobraLib, pflagLib, progressLib, yamlLib, termLib, uuidLib, grpcLib, protobufLib, genprotoLib, natsLib, pebbleLib, syncLib,
			},
			tests: []string{noteLib}, // records are signed anew, as a forger would
		},

		"proto":         {},
		"internal/repo": {tests: []string{yamlLib, protobufLib}, module: []string{anyGenerated}},
	}
}

// everyTest lists the libraries that the tests of every package may import.
func everyTest() []string { return []string{rapidLib, leakLib, cmpLib, scriptLib} }

// pkg is what `go list -json` says of a package, as far as it matters here.
type pkg struct {
	ImportPath   string
	Dir          string
	GoFiles      []string
	Imports      []string
	TestImports  []string
	XTestImports []string
}

// name is the package's path inside the module.
func (p pkg) name() string {
	return strings.TrimPrefix(strings.TrimPrefix(p.ImportPath, modulePath), "/")
}

// listPackages asks the go command for every package of the module.
func listPackages(t *testing.T) []pkg {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Dir,GoFiles,Imports,TestImports,XTestImports", "./...")
	cmd.Dir = root
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, stderr.Bytes())
	}
	var pkgs []pkg
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p pkg
		err := dec.Decode(&p)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("go list: %v", err)
		}
		pkgs = append(pkgs, p)
	}
	if len(pkgs) == 0 {
		t.Fatal("go list names no package")
	}
	return pkgs
}

// matches reports whether a package is the one that pattern names or, for "folder/...", stands below the folder.
func matches(pattern, name string) bool {
	folder, below := strings.CutSuffix(pattern, "/...")
	if below {
		return name == folder || strings.HasPrefix(name, folder+"/")
	}
	return name == pattern
}

func matchesAny(patterns []string, name string) bool {
	return slices.ContainsFunc(patterns, func(pattern string) bool { return matches(pattern, name) })
}

// below reports whether an import path is one of the paths or stands below one.
func below(paths []string, name string) bool {
	return slices.ContainsFunc(paths, func(path string) bool { return matches(path+"/...", name) })
}

// ruleFor finds the line for a package: its own, or that of a folder above it.
func ruleFor(rules map[string]importRule, name string) (importRule, bool) {
	if rule, ok := rules[name]; ok {
		return rule, true
	}
	for pattern, rule := range rules {
		if strings.HasSuffix(pattern, "/...") && matches(pattern, name) {
			return rule, true
		}
	}
	return importRule{}, false
}

// standardLibrary reports whether an import path is of the standard library: only there the first element has no dot.
func standardLibrary(path string) bool {
	first, _, _ := strings.Cut(path, "/")
	return !strings.Contains(first, ".")
}

// impureImports are the parts of the standard library that a pure package may not see.
func impureImports() []string {
	return []string{
		"os", "io/fs", "path/filepath", "net", "log", "syscall", "runtime", "unsafe", "plugin", "testing",
		"math/rand", "crypto/rand", "hash/maphash", "database/sql",
	}
}

// harness is where services meet in tests; it stands in internal and imports services, so that "any of internal" does not mean it.
const harness = "internal/harness"

// mayWire reports whether a package may put services together.
func mayWire(name string) bool { return name == harness || strings.HasPrefix(name, "cmd/") }

// importFaults says where a package imports what its line does not allow.
func importFaults(rules map[string]importRule, pkgs []pkg) []string {
	var faults []string
	for _, p := range pkgs {
		name := p.name()
		rule, ok := ruleFor(rules, name)
		if !ok {
			faults = append(faults, fmt.Sprintf("%s is not in the table of packages: give it a line in importRules", name))
			continue
		}
		check := func(path, what string, outside []string) {
			inner, ours := strings.CutPrefix(path, modulePath+"/")
			switch {
			case inner == harness && what == "" && !mayWire(name):
				faults = append(faults, fmt.Sprintf("%s imports %s, which only cmd and tests may: services meet there", name, inner))
			case ours:
				if inner != name && !matchesAny(rule.module, inner) {
					faults = append(faults, fmt.Sprintf("%s%s imports %s, and may import %q of the module", name, what, inner, rule.module))
				}
			case standardLibrary(path):
				if rule.pure && what == "" && below(impureImports(), path) && !slices.Contains(rule.besides, path) {
					faults = append(faults, fmt.Sprintf("%s is a pure package and imports %s", name, path))
				}
			case !below(outside, path):
				faults = append(faults, fmt.Sprintf("%s%s imports %s, and may import %q beside the standard library", name, what, path, outside))
			}
		}
		for _, path := range p.Imports {
			check(path, "", rule.outside)
		}
		forTests := slices.Concat(rule.outside, rule.tests, everyTest())
		for _, path := range slices.Concat(p.TestImports, p.XTestImports) {
			check(path, " (test)", forTests)
		}
	}
	slices.Sort(faults)
	return slices.Compact(faults)
}

// tableFaults says where the table itself breaks the direction that it is there to keep.
func tableFaults(rules map[string]importRule) []string {
	var faults []string
	for _, name := range slices.Sorted(maps.Keys(rules)) {
		rule := rules[name]
		if rule.pure && !slices.Equal(rule.outside, []string{mathsLib}) && len(rule.outside) > 0 {
			faults = append(faults, fmt.Sprintf("%s is pure and may import %q", name, rule.outside))
		}
		for _, target := range rule.module {
			targetRule, known := ruleFor(rules, target)
			switch {
			case target != anyInternal && target != anyService && !known:
				faults = append(faults, fmt.Sprintf("%s may import %s, which has no line", name, target))
			case rule.pure && !targetRule.pure:
				faults = append(faults, fmt.Sprintf("%s is pure and may import %s, which is not", name, target))
			case matches("cmd/...", target) && !strings.HasPrefix(target, name+"/") && (path.Dir(name) == "cmd" || path.Dir(target) != path.Dir(name)): // a command's own parts are its own, and each other's
				faults = append(faults, fmt.Sprintf("%s may import %s: nothing imports a command", name, target))
			case matches(anyService, target) && !mayWire(name):
				faults = append(faults, fmt.Sprintf("%s may import %s: services meet in cmd and in the harness only", name, target))
			}
		}
	}
	return faults
}

func TestImportDirection(t *testing.T) {
	report(t, tableFaults(importRules()))
	report(t, importFaults(importRules(), listPackages(t)))
}

func TestImportDirectionFindsFaults(t *testing.T) {
	in := func(name string) string { return modulePath + "/" + name }
	tests := map[string]struct {
		pkg  pkg
		want string
	}{
		"what is allowed": {
			pkg: pkg{ImportPath: in("internal/account"), Imports: []string{"errors", in("internal/opal")}, TestImports: []string{"os", rapidLib}},
		},
		"a generated package below its folder": {
			pkg: pkg{ImportPath: in("internal/gen/lotpaper/v1"), Imports: []string{protobufLib + "/proto", grpcLib}},
		},
		"an unknown package": {
			pkg:  pkg{ImportPath: in("internal/helpers")},
			want: "internal/helpers is not in the table",
		},
		"the package at the root": {
			pkg:  pkg{ImportPath: modulePath},
			want: "is not in the table",
		},
		"outwards": {
			pkg:  pkg{ImportPath: in("internal/fault"), Imports: []string{in("internal/opal")}},
			want: "internal/fault imports internal/opal",
		},
		"service to service": {
			pkg:  pkg{ImportPath: in("services/status"), Imports: []string{in("services/ledger")}},
			want: "services/status imports services/ledger",
		},
		"service to service in an outer test": {
			pkg:  pkg{ImportPath: in("services/status"), XTestImports: []string{in("services/ledger")}},
			want: "services/status (test) imports services/ledger",
		},
		"service to service by way of the harness": {
			pkg:  pkg{ImportPath: in("services/status"), Imports: []string{in(harness)}},
			want: "services/status imports internal/harness",
		},
		"a service's test with the harness": {
			pkg: pkg{ImportPath: in("services/status"), XTestImports: []string{in(harness)}},
		},
		"a command": {
			pkg:  pkg{ImportPath: in("internal/harness"), Imports: []string{in("cmd/lotpaper")}},
			want: "internal/harness imports cmd/lotpaper",
		},
		"a library in a pure package": {
			pkg:  pkg{ImportPath: in("internal/opal"), Imports: []string{decimalLib}},
			want: "internal/opal imports " + decimalLib,
		},
		"a library that starts like an allowed one": {
			pkg:  pkg{ImportPath: in("internal/rpc"), Imports: []string{grpcLib + "extra/x"}},
			want: "internal/rpc imports " + grpcLib + "extra/x",
		},
		"randomness in a pure package": {
			pkg:  pkg{ImportPath: in("internal/evidence"), Imports: []string{"math/rand/v2"}},
			want: "pure package and imports math/rand/v2",
		},
		"files in a pure package": {
			pkg:  pkg{ImportPath: in("internal/evidence"), Imports: []string{"os"}},
			want: "pure package and imports os",
		},
		"transport in the log": {
			pkg:  pkg{ImportPath: in("internal/eventlog"), Imports: []string{natsLib + "/nats.go/jetstream"}},
			want: "internal/eventlog imports " + natsLib,
		},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			wantFault(t, importFaults(importRules(), []pkg{test.pkg}), test.want)
		})
	}
}

func TestImportTableFindsFaults(t *testing.T) {
	tests := map[string]struct {
		name string
		rule importRule
		want string
	}{
		"a pure package with a library":      {"internal/opal", importRule{pure: true, outside: []string{decimalLib}}, "is pure and may import"},
		"a pure package with an impure one":  {"internal/opal", importRule{pure: true, module: []string{"internal/eventlog"}}, "which is not"},
		"a service with a service":           {"services/status", importRule{module: []string{"services/ledger"}}, "services meet in cmd"},
		"a package with all services":        {"internal/rpc", importRule{module: []string{anyService}}, "services meet in cmd"},
		"a package with a command":           {"internal/harness", importRule{module: []string{"cmd/lotpaper"}}, "nothing imports a command"},
		"a package with one without a line":  {"internal/rpc", importRule{module: []string{"internal/nowhere"}}, "has no line"},
		"a line that is as it is in the map": {"internal/opal", importRules()["internal/opal"], ""},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			rules := importRules()
			rules[test.name] = test.rule
			wantFault(t, tableFaults(rules), test.want)
		})
	}
}
