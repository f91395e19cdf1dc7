package repo

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// modulePath is the path of the module under test.
const modulePath = "github.com/lotpaper/lotpaper"

// root is the root of the repository, as seen from this package, where `go test` runs.
const root = "../.."

// trackedFiles lists the files of the repository with slashes, relative to its root: what git tracks and what it would add, so that
// a fault is found before the commit too.
func trackedFiles(t *testing.T) []string {
	t.Helper()
	// A clone may belong to somebody else than who runs the tests (root in a container); listing its files is harmless.
	cmd := exec.Command("git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
	cmd.Dir = root
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("git ls-files: %v", err)
	}
	var files []string
	for name := range strings.SplitSeq(strings.TrimSuffix(string(out), "\x00"), "\x00") {
		// A file that is deleted and not yet committed is still listed.
		info, err := os.Lstat(filepath.Join(root, name))
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		files = append(files, name)
	}
	if len(files) == 0 {
		t.Fatal("git lists no files: the checks would hold of nothing")
	}
	return files
}

func readFile(t *testing.T, name string) []byte {
	t.Helper()
	content, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	return content
}

// report fails the test with one line per fault.
func report(t *testing.T, faults []string) {
	t.Helper()
	for _, fault := range faults {
		t.Error(fault)
	}
}

// wantFault checks that a check, run on input made to be wrong, gives exactly one fault and that it contains want; with an empty
// want it checks that there is none.
func wantFault(t *testing.T, faults []string, want string) {
	t.Helper()
	switch {
	case want == "" && len(faults) == 0:
	case want == "":
		t.Errorf("faults %q where there are none", faults)
	case len(faults) != 1 || !strings.Contains(faults[0], want):
		t.Errorf("faults %q, want one that contains %q", faults, want)
	}
}
