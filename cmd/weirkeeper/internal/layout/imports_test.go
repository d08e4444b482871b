package layout_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const module = "weirkeeper"

// A direction says what the packages under some paths may not import directly. As every package of the
// module is judged, no chain of our own packages leads there either.
type direction struct {
	name    string
	applies func(pkg string) bool
	forbids func(imported string) bool
	because string
}

// under reports whether the import path is one of the paths, or below one. Paths that start with a slash
// are relative to the module.
func under(path string, roots ...string) bool {
	return slices.ContainsFunc(roots, func(root string) bool {
		if strings.HasPrefix(root, "/") {
			root = module + root
		}
		return path == root || strings.HasPrefix(path, root+"/")
	})
}

func in(roots ...string) func(string) bool {
	return func(path string) bool { return under(path, roots...) }
}

func outside(roots ...string) func(string) bool {
	return func(path string) bool { return !under(path, roots...) }
}

var directions = []direction{
	{
		"rules stands alone", in("/rules"), in("/cmd", "/ingest", "/notify", "/config"),
		"the rules are pure and replayable; adapters import them, never the other way round",
	},
	{
		"rules does no I/O", in("/rules"), in("net", "os", "database/sql", "log"),
		"the rules see events and an injected time, and nothing else",
	},
	{
		"config reads the site only", in("/config"), in("/cmd", "/ingest", "/notify"),
		"config describes; cmd wires what it describes",
	},
	{
		"ingest knows no other adapter", in("/ingest"), in("/cmd", "/notify", "/config"),
		"adapters meet in cmd",
	},
	{
		"notify knows no other adapter", in("/notify"), in("/cmd", "/ingest", "/config"),
		"adapters meet in cmd",
	},
	{
		"one owner of SQLite", outside("/ingest/ledger"), in("database/sql", "modernc.org/sqlite"),
		"ingest/ledger is the only owner of the record",
	},
	{
		"one owner of sealed history", outside("/ingest/series"), in("github.com/nakabonne/tstorage"),
		"ingest/series is the only owner of sealed history",
	},
	{
		"MQTT at the edge", outside("/ingest/mqtt", "/ingest/broker", "/cmd/weirkeeper/internal/sim"),
		in("github.com/eclipse/paho.mqtt.golang", "github.com/mochi-mqtt/server/v2"),
		"only the client, the embedded broker and the simulator speak MQTT",
	},
	{
		"mail at the edge", outside("/notify/smtp"), in("github.com/wneessen/go-mail", "github.com/emersion/go-smtp"),
		"only notify/smtp speaks SMTP",
	},
	{
		"one owner of serial ports", outside("/notify/sms/modem"), in("go.bug.st/serial"),
		"only notify/sms/modem opens them",
	},
	{
		"terminals in the harness", outside("/notify/sms/modem/modemtest"), in("github.com/creack/pty"),
		"only the simulated modem is on one",
	},
	{
		"service manager at the edge", outside("/cmd/weirkeeper/internal/daemon"), in("github.com/coreos/go-systemd/v22"),
		"only the daemon is a service",
	},
	{
		"no cgo", in(module), in("C"), "the program is one static binary",
	},
}

// offences returns one line for each forbidden import, in the order given.
func offences(pkgs []listed) []string {
	var out []string
	for _, p := range pkgs {
		for _, imported := range p.Imports {
			for _, d := range directions {
				if d.applies(p.ImportPath) && d.forbids(imported) {
					out = append(out, fmt.Sprintf("%s -> %s (%s: %s)", p.ImportPath, imported, d.name, d.because))
				}
			}
			if strings.HasSuffix(imported, "test") && under(imported, module) && !strings.HasSuffix(p.ImportPath, "test") && !under(p.ImportPath, "/cmd/weirkeeper/internal/demo") {
				out = append(out, fmt.Sprintf("%s -> %s (harness: imported by tests and the demo only)", p.ImportPath, imported))
			}
		}
	}
	return out
}

// listed is what the test reads of `go list -json`; Imports are those of the non-test files.
type listed struct {
	ImportPath string
	Imports    []string
}

func list(t *testing.T) []listed {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Imports", module+"/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v%s", cmd, err, stderr(err))
	}
	var pkgs []listed
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return pkgs
		} else if err != nil {
			t.Fatal(err)
		}
		pkgs = append(pkgs, p)
	}
}

func stderr(err error) string {
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return "\n" + string(exit.Stderr)
	}
	return ""
}

func TestImports(t *testing.T) {
	pkgs := list(t)
	if len(pkgs) < 5 {
		t.Fatalf("go list found %d packages: too few to judge", len(pkgs))
	}
	for _, offence := range offences(pkgs) {
		t.Error(offence)
	}
}

// TestOffences shows that each direction can fail.
func TestOffences(t *testing.T) {
	edges := []struct {
		from, to string
		want     string // name of the direction broken, or empty
	}{
		{"/rules", "/ingest/payload", "rules stands alone"},
		{"/rules/lang", "/config", "rules stands alone"},
		{"/rules/lot", "net/url", "rules does no I/O"},
		{"/rules/lot", "log/slog", "rules does no I/O"},
		{"/rules/lot", "/rules/measure", ""},
		{"/rules/lang", "github.com/hashicorp/hcl/v2", ""},
		{"/config", "/notify", "config reads the site only"},
		{"/config", "/rules/site", ""},
		{"/config", "os", ""},
		{"/ingest/mqtt", "/notify", "ingest knows no other adapter"},
		{"/ingest/mqtt", "github.com/eclipse/paho.mqtt.golang", ""},
		{"/ingest", "github.com/eclipse/paho.mqtt.golang/packets", "MQTT at the edge"},
		{"/notify/smtp", "/ingest/ledger", "notify knows no other adapter"},
		{"/notify/smtp/sink", "github.com/emersion/go-smtp", ""},
		{"/cmd/weirkeeper/internal/daemon", "github.com/wneessen/go-mail", "mail at the edge"},
		{"/cmd/weirkeeper", "/ingest/ledger", ""},
		{"/cmd/weirkeeper", "database/sql", "one owner of SQLite"},
		{"/ingest/ledger", "modernc.org/sqlite/lib", ""},
		{"/ingest/ledger", "github.com/nakabonne/tstorage", "one owner of sealed history"},
		{"/ingest/ledger", "C", "no cgo"},
		{"/ingest/ledger", "/ingest/ledger/ledgertest", "harness"},
		{"/ingest/ledger/ledgertest", "/ingest/ledger", ""},
	}
	for _, e := range edges {
		t.Run(e.from+" to "+e.to, func(t *testing.T) {
			to := e.to
			if strings.HasPrefix(to, "/") {
				to = module + to
			}
			var got []string
			for _, line := range offences([]listed{{ImportPath: module + e.from, Imports: []string{to}}}) {
				_, rest, _ := strings.Cut(line, "(")
				name, _, _ := strings.Cut(rest, ":")
				got = append(got, name)
			}
			var want []string
			if e.want != "" {
				want = []string{e.want}
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("directions broken (-want +got):\n%s", diff)
			}
		})
	}
}
