package repo

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// impureNames are the functions of otherwise harmless packages that read the clock, wait, ask for the machine's time zone or talk to
// its terminal. A pure package gets times, ids and randomness as arguments, so that replay gives what live work gave.
func impureNames() map[string][]string {
	return map[string][]string{
		"time": {
			"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local", "LoadLocation",
		},
		"fmt": {"Print", "Printf", "Println", "Scan", "Scanf", "Scanln"},
	}
}

// importNames maps the name by which a file knows a package to the package's path.
func importNames(file *ast.File) map[string]string {
	names := map[string]string{}
	for _, spec := range file.Imports {
		path, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			continue // The parser lets no such import through.
		}
		name := path[strings.LastIndex(path, "/")+1:]
		if spec.Name != nil {
			name = spec.Name.Name
		}
		names[name] = path
	}
	return names
}

// impureUses says where a file of a pure package uses the clock, the terminal or a goroutine, or hides the first two behind a dot import.
func impureUses(fset *token.FileSet, file *ast.File) []string {
	var faults []string
	fault := func(at token.Pos, format string, args ...any) {
		faults = append(faults, fmt.Sprintf("%s: pure package %s", fset.Position(at), fmt.Sprintf(format, args...)))
	}
	names := importNames(file)
	for _, spec := range file.Imports {
		if spec.Name != nil && spec.Name.Name == "." {
			fault(spec.Pos(), "has a dot import")
		}
	}
	ast.Inspect(file, func(node ast.Node) bool {
		switch node := node.(type) {
		case *ast.GoStmt:
			fault(node.Pos(), "starts a goroutine")
		case *ast.SelectorExpr:
			left, ok := node.X.(*ast.Ident)
			// Obj is set where the name is a variable of this file that hides the package.
			if !ok || left.Obj != nil {
				return true
			}
			path := names[left.Name]
			for _, name := range impureNames()[path] {
				if node.Sel.Name == name {
					fault(node.Pos(), "uses %s.%s", path, name)
				}
			}
		}
		return true
	})
	return faults
}

// initFunctions says where a file has an init function: what a package does, it does when it is called.
func initFunctions(fset *token.FileSet, file *ast.File) []string {
	var faults []string
	for _, decl := range file.Decls {
		if fn, ok := decl.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
			faults = append(faults, fmt.Sprintf("%s: a function init", fset.Position(fn.Pos())))
		}
	}
	return faults
}

// parse reads a Go file with its identifiers resolved, which impureUses relies on.
func parse(t *testing.T, fset *token.FileSet, name string, source any) *ast.File {
	t.Helper()
	file, err := parser.ParseFile(fset, name, source, 0)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

func TestPurePackages(t *testing.T) {
	rules := importRules()
	scanned := 0
	for _, p := range listPackages(t) {
		rule, _ := ruleFor(rules, p.name())
		for _, name := range p.GoFiles {
			fset := token.NewFileSet()
			file := parse(t, fset, filepath.Join(p.Dir, name), nil)
			if !matches(anyGenerated, p.name()) {
				report(t, initFunctions(fset, file))
			}
			if rule.pure {
				scanned++
				report(t, impureUses(fset, file))
			}
		}
	}
	if scanned == 0 {
		t.Error("no file of a pure package was found")
	}
}

func TestPurePackagesFindsFaults(t *testing.T) {
	tests := map[string]struct {
		source string
		want   string
	}{
		"a time as argument":        {"package p\nimport \"time\"\nfunc f(now time.Time) bool { return now.After(time.Unix(0, 0)) }", ""},
		"formatting":                {"package p\nimport \"fmt\"\nvar s = fmt.Sprintf(\"x\")", ""},
		"a variable named time":     {"package p\ntype clock struct{ Now int }\nfunc f(time clock) int { return time.Now }", ""},
		"the clock":                 {"package p\nimport \"time\"\nfunc f() time.Time { return time.Now() }", "uses time.Now"},
		"the clock as a value":      {"package p\nimport \"time\"\nvar now = time.Now", "uses time.Now"},
		"the clock by another name": {"package p\nimport t \"time\"\nfunc f(x t.Time) any { return t.Since(x) }", "uses time.Since"},
		"the zone of the machine":   {"package p\nimport \"time\"\nvar z = time.Local", "uses time.Local"},
		"a dot import":              {"package p\nimport . \"time\"\nvar z = Now()", "has a dot import"},
		"the terminal":              {"package p\nimport \"fmt\"\nfunc f() { fmt.Println() }", "uses fmt.Println"},
		"a goroutine":               {"package p\nfunc f() { go f() }", "starts a goroutine"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			fset := token.NewFileSet()
			wantFault(t, impureUses(fset, parse(t, fset, "p.go", test.source)), test.want)
		})
	}
}

func TestInitFunctionsFindsFaults(t *testing.T) {
	fset := token.NewFileSet()
	wantFault(t, initFunctions(fset, parse(t, fset, "p.go", "package p\nfunc init() {}")), "a function init")
	wantFault(t, initFunctions(fset, parse(t, fset, "p.go", "package p\ntype t int\nfunc (t) init() {}")), "")
}
