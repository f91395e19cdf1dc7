package gateway

import "testing"

// The example of C2SP's tlog-tiles: tile 1234067 is x001/x234/067.
func TestTilePath(t *testing.T) {
	for path, want := range map[string][3]int64{
		"0/x001/x234/067": {0, 1234067, 256}, "0/000": {0, 0, 256}, "1/005.p/17": {1, 5, 17}, "entries/273.p/112": {-1, 273, 112}, "63/999": {63, 999, 256},
		"entries/x001/000": {-1, 1000, 256},
	} {
		level, number, width, ok := tilePath(path)
		if got := [3]int64{int64(level), number, int64(width)}; !ok || got != want {
			t.Errorf("%s: %v %v, want %v", path, got, ok, want)
		}
	}
	for _, path := range []string{
		"", "0", "0/", "0/1", "0/0001", "00/000", "64/000", "-1/000", "0/x000/067", "0/001/067", "0/x001", "0/067/", "0/067.p/", "0/067.p/0", "0/067.p/256", "0/067.p/017", "0/067.p/1/2",
		"entries", "data/000", "0/+01", "0/x001/x001/x001/x001/x001/x001/x001/001", "0/../000",
	} {
		if level, number, width, ok := tilePath(path); ok {
			t.Errorf("%q is read as %d, %d, %d", path, level, number, width)
		}
	}
}
