// Package canon gives every stored or signed structure of the log exactly one encoding, and reads nothing else.
//
// The encoding is CBOR under the core deterministic requirements of RFC 8949, section 4.2.1, narrowed by what a Go type says:
//
//   - A struct is a map. Its keys are the unsigned integers of the fields' tags (`cbor:"7,keyasint"`), in ascending order. A field
//     marked omitempty is there if and only if it is not empty (a nil pointer, "", 0, false, no element); any other field is
//     always there. A key that the type does not have is refused.
//   - A pointer is what it points to; a pointer that is not omitempty must not be nil. There is no null.
//   - A string is text (major type 3) of valid UTF-8. []byte and [N]byte are byte strings (major type 2), the latter of N bytes.
//   - Any other slice is an array (major type 4).
//   - map[string]string is a map from text to text, its pairs ordered by the bytes of the encoded key: by length, then by byte.
//   - Integers are major type 0 or 1. A bool is simple value 20 or 21. A float64 is written in the shortest of binary16, binary32
//     and binary64 that keeps its value; NaN and infinities are refused.
//   - Every head is in its shortest form, every length is definite, there are no tags, and nothing follows the value.
//
// Hence Append after Decode gives the bytes back, for every input that Decode accepts. The package reads each byte once and decodes
// straight into the value, because decoding with a general library, encoding again and comparing took twice as long. That this
// accepts the same inputs, and reads the same values in them, is what the fuzz test shows.
//
// What a value means, and how large it may be, is left to the package whose type it is.
package canon
