package gsm

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// The other implementation is gammu 1.42 (Debian's python3-gammu), reached by
// testdata/gammu/vectors.py. What it encoded and decoded is kept beside that
// script, so that the comparison needs no gammu; where there is one, it is made
// again with other texts.
var (
	update = flag.Bool("update", false, "write testdata/gammu anew with the gammu that is installed")
	random = flag.Int("random", 200, "texts to compare with gammu where it is installed")
)

// byGammu is a text that gammu encoded.
type byGammu struct {
	Kind, Text, Number, Centre string
	Class                      int
	MR                         byte
	Ref                        uint16
	Wide                       bool
	Validity                   int // minutes
	Report                     bool
	Time                       string
	PDUs                       []string
}

// readings are what gammu decoded.
type readings struct {
	PDU, Error, Kind, Text, Number, Centre, Coding string
	Class                                          int
	MR                                             byte
	Ref                                            uint16
	Wide                                           bool
	Status                                         byte
	Seq, Total                                     int
	DateTime, SMSCDateTime                         string
}

func gammu(t *testing.T, stdin string, args ...string) []byte {
	t.Helper()
	cmd := exec.CommandContext(context.Background(), "/usr/bin/python3", append([]string{"-B", "testdata/gammu/vectors.py"}, args...)...)
	cmd.Stdin = strings.NewReader(stdin)
	cmd.Env = append(os.Environ(), "PYTHONIOENCODING=utf-8", "TZ=UTC")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s", cmd.Args, err, stderr.String())
	}
	return out
}

func needGammu(t *testing.T) {
	t.Helper()
	if err := exec.CommandContext(context.Background(), "/usr/bin/python3", "-c", "import gammu").Run(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("python3-gammu is not installed: %v", err)
		}
		t.Skip("python3-gammu is not installed")
	}
}

func lines[T any](t *testing.T, data []byte) []T {
	t.Helper()
	var all []T
	for d := json.NewDecoder(bytes.NewReader(data)); d.More(); {
		var v T
		if err := d.Decode(&v); err != nil {
			t.Fatal(err)
		}
		all = append(all, v)
	}
	return all
}

func read(t *testing.T, file string) []byte {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func class(c int) Class { return Class(c + 1) }

// What gammu encodes, we read.
func TestReadGammu(t *testing.T) {
	const file = "testdata/gammu/encoded.jsonl"
	if *update {
		if err := os.WriteFile(file, gammu(t, "", "encode", "1", "100"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	all := lines[byGammu](t, read(t, file))
	if len(all) != 100 {
		t.Errorf("%d texts, want 100", len(all))
	}
	for _, m := range all {
		checkEncoded(t, m)
	}
}

func TestReadGammuNow(t *testing.T) {
	needGammu(t)
	for _, m := range lines[byGammu](t, gammu(t, "", "encode", "2", fmt.Sprint(*random))) {
		checkEncoded(t, m)
	}
}

func checkEncoded(t *testing.T, m byGammu) {
	t.Helper()
	var got []Content
	for i, pdu := range m.PDUs {
		v, err := Parse(pdu)
		if err != nil {
			t.Errorf("%s: %v", pdu, err)
			return
		}
		var part Part
		if len(m.PDUs) > 1 {
			part = Part{Ref: m.Ref, Wide: m.Wide, Seq: i + 1, Total: len(m.PDUs)}
		}
		var d Deliver
		switch v := v.(type) {
		case Deliver:
			d = v
			want := Deliver{Centre: m.Centre, From: m.Number, Content: Content{Class: class(m.Class), Part: part}}
			if c := m.Number[0]; c != '+' && (c < '0' || c > '9') {
				want.From, want.Name = "", m.Number
			}
			if got := v.Time.Format("2006-01-02T15:04:05"); m.Kind != "Deliver" || got != m.Time {
				t.Errorf("%s: Deliver at %s, want %s at %s", pdu, got, m.Kind, m.Time)
			}
			if diff := cmp.Diff(want, v, cmpopts.IgnoreFields(Deliver{}, "Time"), cmpopts.IgnoreFields(Content{}, "Text", "Data", "Coding")); diff != "" {
				t.Errorf("%s (-want +got):\n%s", pdu, diff)
			}
		case Sent:
			d = Deliver{From: v.To, Content: v.Content}
			want := Sent{
				Centre: m.Centre, To: m.Number, MR: m.MR, Report: m.Report, Validity: time.Duration(m.Validity) * time.Minute,
				Content: Content{Class: class(m.Class), Part: part},
			}
			if m.Kind != "Submit" {
				t.Errorf("%s: Sent, want %s", pdu, m.Kind)
			}
			if diff := cmp.Diff(want, v, cmpopts.IgnoreFields(Content{}, "Text", "Data", "Coding")); diff != "" {
				t.Errorf("%s (-want +got):\n%s", pdu, diff)
			}
		default:
			t.Errorf("%s: %T", pdu, v)
			return
		}
		got = append(got, d.Content)
	}
	if diff := cmp.Diff(m.Text, Join(got)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// What we encode, gammu reads.
func TestGammuReads(t *testing.T) {
	const file = "testdata/gammu/decoded.jsonl"
	if *update {
		if err := os.WriteFile(file, gammu(t, strings.Join(ours(t, 1, 100), "\n"), "decode"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	all := lines[readings](t, read(t, file))
	if len(all) < 100 {
		t.Errorf("%d messages, want 100 and more", len(all))
	}
	for _, m := range all {
		checkDecoded(t, m)
	}
}

func TestGammuReadsNow(t *testing.T) {
	needGammu(t)
	pdus := ours(t, 2, *random)
	for i, m := range lines[readings](t, gammu(t, strings.Join(pdus, "\n"), "decode")) {
		if m.PDU != pdus[i] {
			t.Fatalf("%s in place of %s", m.PDU, pdus[i])
		}
		checkDecoded(t, m)
	}
}

// checkDecoded has us read the same as gammu and encode it anew to the same
// octets.
func checkDecoded(t *testing.T, m readings) {
	t.Helper()
	v, err := Parse(m.PDU)
	if err != nil || m.Error != "" {
		t.Errorf("%s: error %v, gammu's %q", m.PDU, err, m.Error)
		return
	}
	const clock = "2006-01-02T15:04:05"
	want, got := m, readings{PDU: m.PDU, Error: m.Error}
	content := func(c Content) {
		got.Text, got.Class, got.Seq, got.Total, got.Ref, got.Wide = c.Text, int(c.Class)-1, c.Part.Seq, c.Part.Total, c.Part.Ref, c.Part.Wide
		got.Coding = map[Coding]string{Default: "Default_No_Compression", UCS2: "Unicode_No_Compression"}[c.Coding]
	}
	var pdu PDU
	switch v := v.(type) {
	case Sent:
		got.Kind, got.Number, got.Centre, got.MR = "Submit", v.To, v.Centre, v.MR
		content(v.Content)
		want.DateTime, want.SMSCDateTime = "", ""
		pdu, err = v.PDU()
	case Deliver:
		got.Kind, got.Number, got.Centre = "Deliver", v.From+v.Name, v.Centre
		got.DateTime = v.Time.Format(clock)
		content(v.Content)
		want.SMSCDateTime, want.MR = "", 0
		pdu, err = v.PDU()
	case StatusReport:
		got.Kind, got.Number, got.Centre, got.MR, got.Status = "Status_Report", v.To, v.Centre, v.MR, byte(v.Status)
		got.DateTime, got.SMSCDateTime = v.Sent.Format(clock), v.Done.Format(clock)
		got.Text = map[Outcome]string{Delivered: "Delivered", Trying: "Pending", Failed: "Failed"}[v.Status.Outcome()]
		if _, known := reasons[v.Status]; !known {
			got.Text = want.Text // gammu says "Unknown"
		}
		want.Coding, want.Class = "", 0
		pdu, err = v.PDU()
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-gammu +ours):\n%s", diff)
	}
	if err != nil || pdu.Hex != m.PDU {
		t.Errorf("%+v again is %s, %v, want %s", v, pdu.Hex, err, m.PDU)
	}
}

// ours are n random messages of ours.
func ours(t *testing.T, seed uint64, n int) (pdus []string) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, seed))
	number := func() string {
		return []string{"+44", "0", "0044"}[r.IntN(3)] + fmt.Sprintf("7700900%03d", r.IntN(1000))
	}
	chars := []rune(strings.ReplaceAll(Decode(seq(0, 128)), "\x1b", "") + strings.Repeat("^{}\\[~]|€\f", 6) + strings.Repeat("°ç–₂≥", 2))
	text := func(n int) string {
		s := make([]rune, n)
		for i := range s {
			s[i] = chars[r.IntN(len(chars))]
		}
		return string(s)
	}
	when := func() time.Time {
		zone := time.FixedZone("", (r.IntN(2*48)-48)*15*60)
		return time.Date(2026, 1, 1, 0, 0, r.IntN(365*86400), 0, zone)
	}
	add := func(pdu PDU, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		pdus = append(pdus, pdu.Hex)
	}
	for range n {
		centre := []string{"", "+447700900000"}[r.IntN(2)]
		switch r.IntN(4) {
		case 0:
			d := Deliver{Centre: centre, From: number(), Time: when(), Content: Content{Class: Class(r.IntN(5))}}
			if r.IntN(4) == 0 {
				d.From, d.Name = "", []string{"Alder Fork", "WEIR", "A B C D E F"}[r.IntN(3)]
			}
			if r.IntN(2) == 0 {
				// gammu reads a tilde in UCS-2 as two.
				d.Coding, d.Text = UCS2, strings.ReplaceAll(Plain(text(r.IntN(55))), "~", "-")+"°Ж\U0001F41F"
			} else {
				d.Text = Plain(text(r.IntN(70)))
			}
			add(d.PDU())
		case 1:
			add(StatusReport{Centre: centre, MR: byte(r.IntN(256)), To: number(), Sent: when(), Done: when(), Status: Status(r.IntN(128))}.PDU())
		default:
			s := Submit{
				Centre: centre, To: number(), Text: text(1 + r.IntN(500)), Report: r.IntN(2) == 0, Kept: r.IntN(2) == 0,
				Validity: time.Duration(r.IntN(2)*r.IntN(1e6)) * time.Second, MR: byte(r.IntN(256)), Ref: uint16(1 + r.IntN(255)),
			}
			if r.IntN(2) == 0 {
				s.Ref = uint16(r.IntN(1 << 16))
			}
			all, err := s.PDUs()
			if err != nil {
				t.Fatal(err)
			}
			for _, pdu := range all {
				add(pdu, nil)
			}
		}
	}
	return pdus
}

func seq(from, to int) (b []byte) {
	for i := from; i < to; i++ {
		b = append(b, byte(i))
	}
	return b
}
