// Package internal holds the OpenAPI document that is generated from the wire contract, so that the pages can show it. What is generated lies below, in a folder that
// the generator empties, where no file written by hand may stand.
package internal

import _ "embed" // the document

// OpenAPI is the document of the REST routes, as JSON (OpenAPI 2.0).
//
//go:embed gen/openapi/lotpaper.swagger.json
var OpenAPI []byte
