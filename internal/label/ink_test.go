package label

import (
	"image/png"
	"os"
	"testing"
)

// inked tells whether a picture has anything but white on it.
func inked(t *testing.T, name string) bool {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	b := m.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			if r, g, bl, _ := m.At(x, y).RGBA(); r < 0xc000 || g < 0xc000 || bl < 0xc000 {
				return true
			}
		}
	}
	return false
}
