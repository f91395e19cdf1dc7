package browser

import (
	"errors"

	"github.com/lotpaper/lotpaper/internal/bundle"
	"github.com/lotpaper/lotpaper/internal/receipt"
)

// nativeCheck is what the program of a browser does, done here.
func nativeCheck(data []byte) (holds bool, part, says string) {
	_, err := bundle.Check(data, "")
	if err == nil {
		return true, "", ""
	}
	var f *receipt.Flaw
	if errors.As(err, &f) {
		return false, f.Part, f.Says
	}
	return false, "", err.Error()
}
