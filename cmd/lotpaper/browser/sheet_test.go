package browser

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// An exporter uploads a sheet with three bad rows and sees them, mends it, and records it; the same file again adds nothing.
func TestAnExportersSheet(t *testing.T) {
	w := newWorld(t)
	b := w.open(t, 900, 900)
	b.signIn(w, "red-kettle")
	b.do(chromedp.Navigate(w.url + "/import"))
	head := "lot;occurredAt;acquired.material.kind;acquired.pieces;acquired.mass\n"
	bad := head +
		"red-kettle.sheet1;2026-01-05;HYDROPHANE;3;12,50 ct\n" +
		"red-kettle.sheet2;05/01/26;HYDROPHANE;3;12,50 ct\n" +
		"red-kettle.sheet3;2026-01-05;SHINY;3;12,50 ct\n" +
		"red-kettle.sheet4;2026-01-05;HYDROPHANE;many;12,50 ct\n"
	good := head + "red-kettle.sheet1;2026-01-05;HYDROPHANE;3;12,50 ct\nred-kettle.sheet2;2026-01-05;HYDROPHANE;4;8,2 ct\n"
	send := func(content, button string) string {
		t.Helper()
		file := filepath.Join(t.TempDir(), "spring.csv")
		if err := os.WriteFile(file, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		script[any](b, `document.getElementById("outcome").replaceChildren(), null`)
		b.do(chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{file}), chromedp.Click(chromedp.CSS("button[name="+button+"]")))
		b.until("an outcome", `document.querySelector("#outcome .problem, #outcome .notice, #outcome .done")`)
		return b.text("#outcome")
	}
	lots := func() int {
		l, err := w.client(t, "red-kettle").ListLots(t.Context(), &pb.ListLotsRequest{PageSize: ptr(int32(1000))})
		if err != nil {
			t.Fatal(err)
		}
		return len(l.GetLots())
	}
	before := lots()
	for _, button := range []string{"dry", "post"} {
		said := send(bad, button)
		for _, want := range []string{"Nothing was recorded. Problems: 3.", "3\toccurredAt\t", "4\tacquired.material.kind\t", "5\tacquired.pieces\t", "SHINY", "HYDROPHANE"} {
			if !strings.Contains(said, want) {
				t.Errorf("%s: %q does not say %q", button, said, want)
			}
		}
	}
	if lots() != before {
		t.Error("a bad sheet recorded something")
	}
	if said := send(good, "dry"); !strings.Contains(said, "2 events, and nothing wrong") || lots() != before {
		t.Errorf("looked at: %q", said)
	}
	if said := send(good, "post"); !strings.Contains(said, "2 events recorded; 0 had been recorded before.") || lots() != before+2 {
		t.Errorf("recorded: %q", said)
	}
	if said := send(good, "post"); !strings.Contains(said, "0 events recorded; 2 had been recorded before.") || lots() != before+2 {
		t.Errorf("again: %q", said)
	}
	// What only the accounts can tell is told at its row, too.
	if said := send("lot;occurredAt;described.bodyColour\nred-kettle.sheet1;2026-01-06;white\nred-kettle.none;2026-01-06;white\n", "post"); !strings.Contains(said, "3\tlot\t") || !strings.Contains(said, "Problems: 1.") {
		t.Errorf("an unknown lot: %q", said)
	}
}
