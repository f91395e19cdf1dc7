package pages

import (
	"fmt"
	"html/template"
	"strings"

	"rsc.io/qr"
)

// qrCode draws a link as a QR code (ISO/IEC 18004, level M) with its quiet zone of four modules.
func qrCode(link string) (template.HTML, error) {
	c, err := qr.Encode(link, qr.M)
	if err != nil {
		return "", fmt.Errorf("draw a QR code: %w", err)
	}
	var path strings.Builder
	for y := range c.Size {
		for x := 0; x < c.Size; x++ {
			from := x
			for x < c.Size && c.Black(x, y) {
				x++
			}
			if x > from {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from+4, y+4, x-from, x-from)
			}
		}
	}
	n := c.Size + 8
	// Black on white in the dark as well: many readers take no other.
	return template.HTML(fmt.Sprintf(`<svg class="qr" viewBox="0 0 %d %d" aria-hidden="true" focusable="false"><path fill="#fff" d="M0 0h%dv%dH0z"/><path fill="#000" d="%s"/></svg>`, n, n, n, n, path.String())), nil
}
