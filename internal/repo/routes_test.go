package repo

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"gopkg.in/yaml.v3"

	// Registers the descriptors of the contract.
	_ "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// restFile is the page on which every REST route of an RPC stands.
const restFile = "proto/lotpaper/v1/rest.yaml"

// binding is one route of an RPC. The generator drops a binding whose verb it does not know without a word; here an unknown key is an error.
type binding struct {
	Get          string `yaml:"get"`
	Put          string `yaml:"put"`
	Post         string `yaml:"post"`
	Delete       string `yaml:"delete"`
	Patch        string `yaml:"patch"`
	Body         string `yaml:"body"`
	ResponseBody string `yaml:"response_body"`
}

// restRule is the rule of one RPC: its route, and others that lead to the same answer.
type restRule struct {
	Selector           string `yaml:"selector"`
	binding            `yaml:",inline"`
	AdditionalBindings []binding `yaml:"additional_bindings"`
}

type restConfig struct {
	Type          string `yaml:"type"`
	ConfigVersion int    `yaml:"config_version"`
	HTTP          struct {
		Rules []restRule `yaml:"rules"`
	} `yaml:"http"`
}

func parseREST(content []byte) (restConfig, error) {
	var config restConfig
	dec := yaml.NewDecoder(bytes.NewReader(content))
	dec.KnownFields(true)
	if err := dec.Decode(&config); err != nil {
		return restConfig{}, fmt.Errorf("read %s: %w", restFile, err)
	}
	return config, nil
}

// route gives a binding as "GET /v1/lots/{lot}", with the variables as the OpenAPI document spells them.
func (b binding) route() (string, error) {
	var verb, path string
	for v, p := range map[string]string{"GET": b.Get, "PUT": b.Put, "POST": b.Post, "DELETE": b.Delete, "PATCH": b.Patch} {
		switch {
		case p == "":
		case verb != "":
			return "", errors.New("has several verbs, and one is needed")
		default:
			verb, path = v, p
		}
	}
	sends := verb == "POST" || verb == "PUT" || verb == "PATCH"
	switch {
	case verb == "":
		return "", errors.New("has no verb")
	case sends && b.Body == "":
		return "", fmt.Errorf("%s %s takes no body: what a caller sends would be ignored", verb, path)
	case !sends && b.Body != "":
		return "", fmt.Errorf("%s %s takes a body", verb, path)
	}
	return verb + " " + templateNames(path), nil
}

// variable is a variable of a path template, {lot_id} or {lot_id=lots/*}.
var variable = regexp.MustCompile(`\{([a-z0-9_.]+)(=[^}]*)?\}`)

// templateNames spells the variables of a path template the way JSON does: {lot_id=*} becomes {lotId}.
func templateNames(path string) string {
	return variable.ReplaceAllStringFunc(path, func(s string) string {
		name := []byte(variable.FindStringSubmatch(s)[1])
		var out []byte
		for i, c := range name {
			switch {
			case c == '_':
			case i > 0 && name[i-1] == '_':
				out = append(out, bytes.ToUpper([]byte{c})...)
			default:
				out = append(out, c)
			}
		}
		return "{" + string(out) + "}"
	})
}

// openAPIRoutes lists the routes of the generated document with the operation behind each.
func openAPIRoutes(content []byte) (map[string]string, error) {
	var document struct {
		Paths map[string]map[string]json.RawMessage
	}
	if err := json.Unmarshal(content, &document); err != nil {
		return nil, fmt.Errorf("read %s: %w", openAPIFile, err)
	}
	routes := map[string]string{}
	for path, operations := range document.Paths {
		for verb, raw := range operations {
			var operation struct{ OperationID string }
			if err := json.Unmarshal(raw, &operation); err != nil {
				return nil, fmt.Errorf("read %s at %s %s: %w", openAPIFile, verb, path, err)
			}
			routes[strings.ToUpper(verb)+" "+path] = operation.OperationID
		}
	}
	return routes, nil
}

// rpcNames lists the RPCs of the generated code by their full names.
func rpcNames() []string {
	var names []string
	protoregistry.GlobalFiles.RangeFilesByPackage("lotpaper.v1", func(file protoreflect.FileDescriptor) bool {
		services := file.Services()
		for i := range services.Len() {
			methods := services.Get(i).Methods()
			for j := range methods.Len() {
				names = append(names, string(methods.Get(j).FullName()))
			}
		}
		return true
	})
	slices.Sort(names)
	return names
}

// contract is everything that must agree.
type contract struct {
	rpcs     []string          // full names, from the generated descriptors
	grpcOnly map[string]string // RPCs without a route, each with the reason
	rest     restConfig
	openAPI  map[string]string // route → operation
	promised []string          // routes that callers rely on
}

// faults says where RPCs, rest.yaml, the OpenAPI document and the promised routes disagree.
func (c contract) faults() []string {
	var faults []string
	fault := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }

	ruled := map[string]bool{}
	routes := map[string]string{} // route → RPC, from rest.yaml
	for _, rule := range c.rest.HTTP.Rules {
		rpc := rule.Selector
		switch {
		case !slices.Contains(c.rpcs, rpc):
			fault("%s has a rule for %q, and there is no such RPC", restFile, rpc)
			continue
		case ruled[rpc]:
			fault("%s has two rules for %s: the other routes of an RPC are additional bindings", restFile, rpc)
			continue
		}
		ruled[rpc] = true
		for _, b := range append([]binding{rule.binding}, rule.AdditionalBindings...) {
			route, err := b.route()
			if err != nil {
				fault("%s: a binding of %s %v", restFile, rpc, err)
				continue
			}
			if other, ok := routes[route]; ok {
				fault("%s leads to %s and to %s", route, other, rpc)
				continue
			}
			routes[route] = rpc
			if operation, ok := c.openAPI[route]; !ok {
				fault("%s of %s is not in the OpenAPI document", route, rpc)
			} else if !isOperationOf(operation, rpc) {
				fault("%s is the operation %s in the OpenAPI document, and leads to %s", route, operation, rpc)
			}
		}
	}
	for _, rpc := range c.rpcs {
		reason, grpcOnly := c.grpcOnly[rpc]
		switch {
		case grpcOnly && ruled[rpc]:
			fault("%s has a route and is listed as having none", rpc)
		case grpcOnly && reason == "":
			fault("%s has no route, and no reason is given", rpc)
		case !grpcOnly && !ruled[rpc]:
			fault("%s has no route: give it a rule in %s, or list it as gRPC only with the reason", rpc, restFile)
		}
	}
	for _, rpc := range slices.Sorted(maps.Keys(c.grpcOnly)) {
		if !slices.Contains(c.rpcs, rpc) {
			fault("%s is listed as gRPC only, and there is no such RPC", rpc)
		}
	}
	for _, route := range slices.Sorted(maps.Keys(c.openAPI)) {
		if routes[route] == "" {
			fault("%s is in the OpenAPI document and not in %s", route, restFile)
		}
	}
	for _, route := range c.promised {
		if routes[route] == "" {
			fault("%s is promised and not in %s", route, restFile)
		}
	}
	return faults
}

// isOperationOf reports whether an operation of the OpenAPI document, such as LogService_GetLot or, for a further binding,
// LogService_GetLot2, is the RPC's.
func isOperationOf(operation, rpc string) bool {
	parts := strings.Split(rpc, ".")
	want := parts[len(parts)-2] + "_" + parts[len(parts)-1]
	rest, ok := strings.CutPrefix(operation, want)
	return ok && strings.Trim(rest, "0123456789") == ""
}

// grpcOnly lists the RPCs that have no route on purpose, each with the reason.
func grpcOnly() map[string]string {
	return map[string]string{
		"lotpaper.v1.IntakeService.AppendStream":        "a stream both ways, which HTTP with JSON has not; AppendBatch is its like",
		"lotpaper.v1.TransparencyService.GetCheckpoint": "GET /log/checkpoint and /v1/log/checkpoint give the signed note as it is",
		"lotpaper.v1.TransparencyService.GetTile":       "GET /log/tile/<L>/<N> gives the tile as it is",
		"lotpaper.v1.TransparencyService.GetEntries":    "GET /log/tile/entries/<N> gives the bundle as it is",
		"lotpaper.v1.AttachmentService.PutAttachment":   "POST /v1/attachments takes the file as it is, in pieces",
		"lotpaper.v1.AttachmentService.GetAttachment":   "GET /v1/attachments/{sha256} gives the file as it is, in pieces",
		"lotpaper.v1.AttachmentService.GetStonePicture": "GET /v1/stones/{handle}/pictures/{sha256} gives the file as it is, in pieces",
		"lotpaper.v1.TransparencyService.GetLotProof":   "GET /v1/lots/{lot}/proof gives the file as it is, in pieces",
		"lotpaper.v1.TransparencyService.GetStoneProof": "GET /v1/stones/{handle}/proof gives the file as it is, in pieces",
		"lotpaper.v1.StatusService.Watch":               "the gateway offers it as server-sent events, which the generator has not",
	}
}

// promisedRoutes are the routes that callers rely on: each must stay, whatever is added.
func promisedRoutes() []string {
	return []string{
		"POST /v1/lots/{lot}/events",
		"POST /v1/events",
		"POST /v1/events:append",
		"POST /v1/parties",
		"POST /v1/parties/{party}/tokens",
		"DELETE /v1/parties/{party}/tokens/{tokenId}",
		"POST /v1/lots/{lot}/handles",
		"GET /v1/lots",
		"GET /v1/lots/{lot}",
		"GET /v1/lots/{lot}/history",
		"GET /v1/lots/{lot}/lineage",
		"GET /v1/lots/{lot}/status",
		"POST /v1/lots/{lot}:checkClaims",
		"GET /v1/stones/{handle}",
		"DELETE /v1/stones/{handle}",
		"GET /v1/log",
		"POST /v1/events:batch",
		"POST /v1/samples:plan",
		"POST /v1/samples:infer",
		"GET /v1/lots/{lot}/nextTests",
		"GET /v1/lots/{lot}/disclosure",
		"POST /v1/assays:hydrostatic",
		"POST /v1/assays:uptake",
		"POST /v1/assays:spectrum",
	}
}

func TestRoutes(t *testing.T) {
	rest, err := parseREST(readFile(t, restFile))
	if err != nil {
		t.Fatal(err)
	}
	openAPI, err := openAPIRoutes(readFile(t, openAPIFile))
	if err != nil {
		t.Fatal(err)
	}
	c := contract{rpcs: rpcNames(), grpcOnly: grpcOnly(), rest: rest, openAPI: openAPI, promised: promisedRoutes()}
	if len(c.rpcs) == 0 || len(c.promised) == 0 {
		t.Fatal("no RPC or no promised route: the check would hold of nothing")
	}
	report(t, c.faults())
}

func TestRoutesFindsFaults(t *testing.T) {
	const get, post = "lotpaper.v1.LotService.GetLot", "lotpaper.v1.LotService.PostLot"
	getRule := restRule{
		Selector: get, binding: binding{Get: "/v1/lots/{lot_id}"}, AdditionalBindings: []binding{{Get: "/v1/old/{lot_id=*}"}},
	}
	postRule := restRule{Selector: post, binding: binding{Post: "/v1/lots", Body: "*"}}
	tests := map[string]struct {
		change func(*contract)
		want   string
	}{
		"all agree": {func(*contract) {}, ""},
		"an RPC without a rule": {func(c *contract) {
			c.rpcs = append(c.rpcs, "lotpaper.v1.LotService.Other")
		}, "Other has no route"},
		"a gRPC-only RPC": {func(c *contract) {
			c.rpcs = append(c.rpcs, "lotpaper.v1.LotService.Other")
			c.grpcOnly["lotpaper.v1.LotService.Other"] = "it streams"
		}, ""},
		"a gRPC-only RPC without a reason": {func(c *contract) {
			c.rpcs = append(c.rpcs, "lotpaper.v1.LotService.Other")
			c.grpcOnly["lotpaper.v1.LotService.Other"] = ""
		}, "no reason"},
		"a gRPC-only RPC with a route":          {func(c *contract) { c.grpcOnly[get] = "it streams" }, "is listed as having none"},
		"a gRPC-only RPC that does not exist":   {func(c *contract) { c.grpcOnly["x.Y.Z"] = "it streams" }, "no such RPC"},
		"a rule for no RPC":                     {func(c *contract) { c.addRule(restRule{Selector: "x.Y.Z", binding: binding{Get: "/z"}}) }, "no such RPC"},
		"two rules for an RPC":                  {func(c *contract) { c.addRule(restRule{Selector: get, binding: binding{Get: "/z"}}) }, "two rules"},
		"a rule without a verb":                 {func(c *contract) { c.addBinding(binding{Body: "*"}) }, "has no verb"},
		"two verbs in one":                      {func(c *contract) { c.addBinding(binding{Get: "/y", Post: "/z", Body: "*"}) }, "several verbs"},
		"a POST without a body":                 {func(c *contract) { c.addBinding(binding{Post: "/y"}) }, "takes no body"},
		"a GET with a body":                     {func(c *contract) { c.addBinding(binding{Get: "/y", Body: "*"}) }, "takes a body"},
		"one route for two RPCs":                {func(c *contract) { c.addBinding(binding{Post: "/v1/lots", Body: "*"}) }, "leads to"},
		"a route that the generator left out":   {func(c *contract) { delete(c.openAPI, "POST /v1/lots") }, "not in the OpenAPI"},
		"a route that is no longer on the page": {func(c *contract) { c.openAPI["GET /v1/stale"] = "LotService_GetLot3" }, "GET /v1/stale is in the OpenAPI"},
		"a route to another RPC":                {func(c *contract) { c.openAPI["POST /v1/lots"] = "LotService_GetLot" }, "leads to"},
		"a route to an RPC of a longer name":    {func(c *contract) { c.openAPI["POST /v1/lots"] = "LotService_PostLots" }, "leads to"},
		"a promised route that went":            {func(c *contract) { c.promised = append(c.promised, "GET /v1/gone") }, "GET /v1/gone is promised"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			c := contract{
				rpcs:     []string{get, post},
				grpcOnly: map[string]string{},
				openAPI: map[string]string{
					"GET /v1/lots/{lotId}": "LotService_GetLot", "GET /v1/old/{lotId}": "LotService_GetLot2", "POST /v1/lots": "LotService_PostLot",
				},
				promised: []string{"GET /v1/lots/{lotId}"},
			}
			c.addRule(postRule)
			c.addRule(getRule)
			test.change(&c)
			wantFault(t, c.faults(), test.want)
		})
	}
}

func (c *contract) addRule(rule restRule) { c.rest.HTTP.Rules = append(c.rest.HTTP.Rules, rule) }

// addBinding adds a binding to the last rule.
func (c *contract) addBinding(b binding) {
	last := &c.rest.HTTP.Rules[len(c.rest.HTTP.Rules)-1]
	last.AdditionalBindings = append(slices.Clone(last.AdditionalBindings), b)
}

func TestParseRESTRefusesUnknownKeys(t *testing.T) {
	const page = "type: google.api.Service\nconfig_version: 3\nhttp:\n  rules:\n    - selector: a.B.C\n      %s: /v1/c\n"
	good, err := parseREST(fmt.Appendf(nil, page, "get"))
	if err != nil || len(good.HTTP.Rules) != 1 || good.HTTP.Rules[0].Get != "/v1/c" {
		t.Errorf("a good page is read as %+v, %v", good, err)
	}
	if _, err := parseREST(fmt.Appendf(nil, page, "gte")); err == nil {
		t.Error("a misspelt verb was read")
	}
}

func TestTemplateNames(t *testing.T) {
	for template, want := range map[string]string{
		"/v1/lots":                        "/v1/lots",
		"/v1/lots/{lot}/events":           "/v1/lots/{lot}/events",
		"/v1/lots/{lot_id}:checkClaims":   "/v1/lots/{lotId}:checkClaims",
		"/v1/p/{party_id=*}/t/{a.b_c=**}": "/v1/p/{partyId}/t/{a.bC}",
	} {
		if got := templateNames(template); got != want {
			t.Errorf("templateNames(%q) = %q, want %q", template, got, want)
		}
	}
}
