// Package eventfile reads the files in which people write events down: YAML or JSON, one event or many, as documents, lists or lines.
//
// It is as strict as the service and a step earlier: every event of a file is held against the contract and against the rules that
// need no account before anything is sent, and every problem is told with file, event, line, field, what was found and what is
// accepted. What a file can say in more than one way is refused rather than guessed: keys that stand twice, YAML's anchors, aliases,
// merges and tags.
//
// An event without a requestId gets one that follows from its content, so that a file posted a second time adds nothing.
//
// Whether lots exist, who holds them and whether figures balance is the service's to judge.
package eventfile
