package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// What a party sold or holds is watched from the command line: a shop's own command gets each alert once, over a restart too, and an alert that it failed on again.
func TestWatch(t *testing.T) {
	d := startDemo(t)
	t.Setenv("LOTPAPER_SERVER", d.server)
	log, err := d.asker.GetLog(t.Context(), &pb.GetLogRequest{})
	if err != nil {
		t.Fatal(err)
	}
	begin := log.GetEpoch() + "/0"
	watch := func(party string, args ...string) (string, int) {
		t.Helper()
		token := filepath.Join(d.data, "demo-tokens", party)
		c := startCommand(t, append([]string{"watch", "--server", d.server, "--token-file", token}, args...)...)
		select {
		case status := <-c.status:
			return c.output() + c.errs.String(), status
		case <-time.After(time.Minute):
			t.Fatalf("watch %v does not end: %s", args, c.output())
			return "", 0
		}
	}
	// The demo's late disclosure hits what the shop holds and what it sold.
	out, status := watch("corner-lantern", "--sold", "--after", begin, "--once")
	if status != exitDone || strings.Count(out, "alert: ") == 0 || !strings.Contains(out, "DYE") {
		t.Errorf("%d %s", status, out)
	}
	all, status := watch("corner-lantern", "--holder", "--after", begin, "--once")
	if status != exitDone || !strings.Contains(all, "received by corner-lantern") || !strings.Contains(all, "alert: ") {
		t.Errorf("%d %s", status, all)
	}
	alerts, _ := watch("corner-lantern", "--holder", "--alerts", "--after", begin, "--once")
	if n := strings.Count(alerts, "\n"); n == 0 || n != strings.Count(all, "alert: ") || strings.Contains(alerts, "received") {
		t.Errorf("alerts alone: %s", alerts)
	}

	dir := t.TempDir()
	state, mail := filepath.Join(dir, "state.json"), filepath.Join(dir, "mail")
	mailer := fmt.Sprintf(`cat >> %s; echo "$LOTPAPER_KIND" >> %s.kinds`, mail, mail)
	args := []string{"--sold", "--after", begin, "--once", "--state", state}
	if out, status := watch("corner-lantern", append(args, "--exec", "cat >/dev/null; exit 7")...); status != exitFailed || !strings.Contains(out, "failed three times") {
		t.Errorf("a command that fails: %d %s", status, out)
	}
	for round := range 2 {
		// Without --after: from the state, once there is one.
		again := args
		if round > 0 {
			again = []string{"--sold", "--once", "--state", state}
		}
		if out, status := watch("corner-lantern", append(again, "--exec", mailer)...); status != exitDone {
			t.Fatalf("%d %s", status, out)
		}
	}
	got, err := os.ReadFile(mail)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(got)), "\n")
	if len(lines) != strings.Count(out, "alert: ") {
		t.Errorf("%d mails of %s", len(lines), out)
	}
	for _, line := range lines {
		var n struct {
			ID    string
			Alert struct{ Treatment, Text string }
		}
		if err := json.Unmarshal([]byte(line), &n); err != nil || n.Alert.Treatment == "" || n.ID == "" {
			t.Errorf("%v: %s", err, line)
		}
	}
	if kinds, _ := os.ReadFile(mail + ".kinds"); strings.TrimSpace(strings.ReplaceAll(string(kinds), "alert", "")) != "" {
		t.Errorf("kinds %q", kinds)
	}

	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"nothing":         {nil, "accepted is exactly one"},
		"two":             {[]string{"--holder", "--sold"}, "accepted is exactly one"},
		"another watch":   {[]string{"--holder", "--state", state}, "the state of another watch"},
		"no such lot":     {[]string{"--lot", "a-b.none"}, "UNKNOWN_LOT"},
		"an id of no log": {[]string{"--sold", "--after", "x"}, "after"},
	} {
		if out, status := watch("corner-lantern", c.args...); status == exitDone || !strings.Contains(out, c.says) {
			t.Errorf("%s: %d %s", name, status, out)
		}
	}
}
