package wire

import (
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Normal refuses an event with a text that is not in Unicode's normal form C (Unicode Standard Annex 15): two texts that look alike
// must have the same bytes, or signatures and searches would tell them apart. EventToDomain calls it; who decodes a statement that
// another party signed calls it too.
func Normal(ev *opal.Event) *fault.Error {
	for _, t := range opal.TextsBeyondASCII(ev) {
		if !norm.NFC.IsNormalString(t.Value) {
			n := norm.NFC.QuickSpanString(t.Value)
			return invalid(t.Path, "found %+q from character %d on, which is not composed; accepted is text in Unicode normal form C",
				clip(t.Value[n:]), utf8.RuneCountInString(t.Value[:n])+1)
		}
	}
	return nil
}
