package pages

import (
	"fmt"
	"html/template"

	"github.com/lotpaper/lotpaper/internal/label"
)

// qrCode draws a link as a QR code.
func qrCode(link string) (template.HTML, error) {
	code, err := label.QR(link, 0, 0, 100)
	if err != nil {
		return "", err
	}
	return template.HTML(fmt.Sprintf(`<svg class="qr" viewBox="0 0 100 100" aria-hidden="true" focusable="false">%s</svg>`, code)), nil
}
