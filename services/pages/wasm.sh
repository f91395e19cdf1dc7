#!/usr/bin/env bash
# Makes services/pages/assets/verify/check.wasm.gz, and with --check compares it with what the sources give now.
#
# What Go makes of the same sources differs from one version of Go to the next: the version stands beside it, and another version compares nothing but that the
# program builds and answers (the tests ask it).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
at=services/pages/assets/verify
fresh=$(mktemp -d)
trap 'rm -rf "$fresh"' EXIT
GOFLAGS= GOOS=js GOARCH=wasm CGO_ENABLED=0 go build -trimpath -buildvcs=false -ldflags '-s -w -buildid=' -o "$fresh/check.wasm" ./internal/inbrowser
version=$(go env GOVERSION)
if [ "${1:-}" != --check ]; then
	gzip -9 -n <"$fresh/check.wasm" >"$at/check.wasm.gz"
	echo "$version" >"$at/check.wasm.version"
	exit
fi
if [ "$version" != "$(cat "$at/check.wasm.version")" ]; then
	echo "check.wasm.gz was made by $(cat "$at/check.wasm.version"), this is $version: not compared"
	exit
fi
gzip -dc "$at/check.wasm.gz" | cmp - "$fresh/check.wasm" || {
	echo "check.wasm.gz is not what the sources give: run bash services/pages/wasm.sh"
	exit 1
}
