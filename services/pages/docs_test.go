package pages

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strings"
	"testing"
)

// Every reason that a refusal can have has a page that says what to do, and no other has.
func TestEveryReasonIsExplained(t *testing.T) {
	list, err := readReasons()
	if err != nil {
		t.Fatal(err)
	}
	explained := map[string]bool{}
	for _, r := range list {
		if explained[r.Reason] {
			t.Errorf("%s stands twice", r.Reason)
		}
		explained[r.Reason] = true
		if r.HTTP < 400 || r.Means == "" || r.Do == "" || !strings.Contains(r.Example, r.Reason) {
			t.Errorf("%+v", r)
		}
	}
	// The reasons are constants of one file: it is read as a program.
	f, err := parser.ParseFile(token.NewFileSet(), "../../internal/fault/fault.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	ast.Inspect(f, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok || len(v.Values) != 1 {
			return true
		}
		name, typed := v.Type.(*ast.Ident)
		value, text := v.Values[0].(*ast.BasicLit)
		if !typed || name.Name != "Reason" || !text {
			return true
		}
		found++
		if reason := strings.Trim(value.Value, "\""); !explained[reason] {
			t.Errorf("%s is not explained", reason)
		}
		return true
	})
	if found != len(list) {
		t.Errorf("%d reasons are explained, and there are %d", len(list), found)
	}
}

// Every route of the OpenAPI document stands on the page for programs, with its fields.
func TestTheAPIIsReadWhole(t *testing.T) {
	api, err := readAPI()
	if err != nil {
		t.Fatal(err)
	}
	n, schemas := 0, map[string]bool{}
	for _, s := range api.Schemas {
		schemas[s.Name] = true
	}
	for _, g := range api.Groups {
		for _, o := range g.Operations {
			n++
			if o.Summary == "" || o.ID == "" || o.Answer == "" || !schemas[o.Answer] || o.Body != "" && !schemas[o.Body] {
				t.Errorf("%+v", o)
			}
		}
	}
	if n < 30 {
		t.Errorf("%d operations", n)
	}
}
