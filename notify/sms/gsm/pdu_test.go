package gsm

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestSubmit(t *testing.T) {
	got, err := Submit{Centre: "+447700900000", To: "+447700900123", Text: "Hello [€]", MR: 7}.PDUs()
	if err != nil {
		t.Fatal(err)
	}
	want := []PDU{{24, "079144770009000001070C9144770009103200000CC8329BFD066D789BF2C607"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
