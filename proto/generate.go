// Package proto holds the wire contract: the messages and services under lotpaper/v1, and rest.yaml, where every REST route of
// them stands. It has no code of its own; what is generated from it goes to internal/gen, which the generator empties first.
//
// Generating needs no network once the modules are in the cache: buf is the only tool of internal/tools/go.mod (it needs another
// protobuf library than the project), the plugins are tools of the main go.mod.
package proto

//go:generate go tool -C .. -modfile=internal/tools/go.mod buf generate --template proto/buf.gen.yaml
